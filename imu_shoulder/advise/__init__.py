"""Advice by rule: the rules are a readable file, and each line of advice names the reps it comes from."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib import resources
from pathlib import Path

from imu_shoulder.checked import Checked
from imu_shoulder.errors import ShoulderError

SCHEMA = 1
ADVICE = ("criteria_met", "stay", "step_back")
SHARES = ("done_at_least", "clean_at_least", "clean_below")


class RuleError(ShoulderError):
    """A rule file is unusable."""


@dataclass(frozen=True, slots=True)
class Criteria:
    """What one set must show; None asks nothing. Shares 0-1, of the asked reps, clean_below of the scored reps."""

    done_at_least: float | None = None
    clean_at_least: float | None = None
    clean_below: float | None = None
    pain_within_ceiling: bool = False

    @property
    def text(self) -> str:
        """The criteria in words."""
        parts = []
        if self.done_at_least is not None:
            share = "all" if self.done_at_least == 1 else f"at least {self.done_at_least:.0%} of the"
            parts.append(f"{share} asked reps done")
        if self.clean_at_least is not None:
            parts.append(f"at least {self.clean_at_least:.0%} of the asked reps clean")
        if self.clean_below is not None:
            parts.append(f"under {self.clean_below:.0%} of the scored reps clean")
        if self.pain_within_ceiling:
            parts.append("pain rated and within the ceiling")
        return ", ".join(parts).replace("%", " %")


@dataclass(frozen=True, slots=True)
class Rule:
    """Said when each of the latest `sessions` shows at least `sets` sets that meet each_set, and not too many others.

    each_set: None for the rule that is met when no other one is.
    """

    advice: str
    sessions: int = 1
    sets: int = 1
    other_sets_at_most: int | None = None
    each_set: Criteria | None = None

    @property
    def text(self) -> str:
        """The rule in words."""
        if self.each_set is None:
            return "no other rule is met"
        sessions = "this session" if self.sessions == 1 else f"each of the latest {self.sessions} sessions"
        sets = f"at least {self.sets} {'set' if self.sets == 1 else 'sets'}"
        if self.other_sets_at_most is not None:
            others = f"all but {self.other_sets_at_most} of the sets" if self.other_sets_at_most else "every set"
            sets = others if self.sets == 1 else f"{others}, at least {self.sets} of them,"
        return f"in {sessions} {sets} with {self.each_set.text}"


@dataclass(frozen=True, slots=True)
class Rules:
    """In the order in which they are tried. prerequisite: when a drill counts as shown, in sets of one session."""

    rules: tuple[Rule, ...]
    prerequisite: Rule

    def of(self, advice: str) -> Rule | None:
        return next((rule for rule in self.rules if rule.advice == advice), None)


@cache
def shipped_rules() -> Rules:
    """The rules that come with the package."""
    return parse_rules((resources.files(__package__) / "rules.toml").read_text(encoding="utf-8"), "rules.toml")


def load_rules(path: Path) -> Rules:
    """Rules from a TOML file. Raises RuleError."""
    return _rules(Checked.read(path, RuleError, "a readable rule file"))


def parse_rules(text: str, name: str) -> Rules:
    """Rules from TOML text; `name` is used in messages. Raises RuleError."""
    return _rules(Checked.parse(text, name, RuleError))


def _rules(table: Checked) -> Rules:
    table.known(("schema", "rules", "prerequisite"))
    table.schema(SCHEMA)
    rules = tuple(_rule(item) for item in table.tables("rules"))
    open_ended = [rule.advice for rule in rules if rule.each_set is None]
    if open_ended != ["stay"] or rules[-1].each_set is not None:
        raise table.wrong("the last of [[rules]], and no other,", 'advice = "stay" without each_set', open_ended)
    return Rules(rules, _rule(table.table("prerequisite", required=True), "stay"))


def _rule(table: Checked, advice: str | None = None) -> Rule:
    """advice: of a rule that gives none."""
    table.known(("advice", "sessions", "sets", "other_sets_at_most", "each_set"))
    return Rule(
        table.choice("advice", ADVICE, advice),
        table.whole("sessions", 1, least=1),
        table.whole("sets", 1, least=1),
        table.whole("other_sets_at_most") if "other_sets_at_most" in table else None,
        _criteria(table) if "each_set" in table else None,
    )


def _criteria(rule: Checked) -> Criteria:
    table = rule.table("each_set")
    table.known((*SHARES, "pain_within_ceiling"))
    if not any(True for _ in table):
        raise rule.wrong("each_set", "a table of criteria", rule.get("each_set"))
    shares = {key: table.number(key, least=0.0, most=1.0) for key in SHARES if key in table}
    return Criteria(**shares, pain_within_ceiling=table.flag("pain_within_ceiling", default=False))
