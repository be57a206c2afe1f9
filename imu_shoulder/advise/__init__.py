"""Advice by rule: the rules are a readable file, and each line of advice names the reps it comes from."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

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
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise RuleError("a readable rule file", f"{path} is not ({error})", "check the path") from error
    return parse_rules(text, path.name)


def parse_rules(text: str, name: str) -> Rules:
    """Rules from TOML text; `name` is used in messages. Raises RuleError."""
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise RuleError("a TOML file", f"{name} is not TOML ({error})", "correct that line") from error
    _known(table, "the top", ("schema", "rules", "prerequisite"), name)
    if table.get("schema") != SCHEMA:
        raise _fail("schema", str(SCHEMA), table.get("schema"), name)
    given = table.get("rules")
    if not isinstance(given, list) or not given:
        raise _fail("rules", "one [[rules]] table or more", given, name)
    rules = tuple(_rule(item, f"[[rules]] {place}", name) for place, item in enumerate(given, start=1))
    open_ended = [rule.advice for rule in rules if rule.each_set is None]
    if open_ended != ["stay"] or rules[-1].each_set is not None:
        raise _fail("the last of [[rules]], and no other,", 'advice = "stay" without each_set', open_ended, name)
    prerequisite = table.get("prerequisite")
    if not isinstance(prerequisite, dict):
        raise _fail("prerequisite", "a table", prerequisite, name)
    return Rules(rules, _rule({"advice": "stay", **prerequisite}, "[prerequisite]", name))


def _fail(where: str, expected: str, came: object, name: str) -> RuleError:
    return RuleError(f"{where} in {name} to be {expected}", f"it was {came!r}", "correct the rule file")


def _known(table: Mapping[str, Any], where: str, allowed: tuple[str, ...], name: str) -> None:
    for key in table:
        if key not in allowed:
            raise _fail(f"every key of {where}", f"one of {', '.join(allowed)}", key, name)


def _rule(table: Any, where: str, name: str) -> Rule:
    if not isinstance(table, dict):
        raise _fail(where, "a table", table, name)
    _known(table, where, ("advice", "sessions", "sets", "other_sets_at_most", "each_set"), name)
    if table.get("advice") not in ADVICE:
        raise _fail(f"advice of {where}", f"one of {', '.join(ADVICE)}", table.get("advice"), name)
    for key, least in (("sessions", 1), ("sets", 1), ("other_sets_at_most", 0)):
        value = table.get(key, least)
        if isinstance(value, bool) or not isinstance(value, int) or value < least:
            raise _fail(f"{key} of {where}", f"a whole number of {least} or more", value, name)
    criteria = None
    if "each_set" in table:
        given = table["each_set"]
        if not isinstance(given, dict) or not given:
            raise _fail(f"each_set of {where}", "a table of criteria", given, name)
        _known(given, f"each_set of {where}", (*SHARES, "pain_within_ceiling"), name)
        for key in SHARES:
            value = given.get(key, 0.0)
            if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0 <= value <= 1:
                raise _fail(f"{key} of {where}", "a share from 0 to 1", value, name)
        if not isinstance(given.get("pain_within_ceiling", False), bool):
            raise _fail(f"pain_within_ceiling of {where}", "true or false", given["pain_within_ceiling"], name)
        criteria = Criteria(**given)
    return Rule(**{**table, "each_set": criteria})
