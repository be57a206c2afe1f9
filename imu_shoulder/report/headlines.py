"""The first lines, which the terminal, summary.json and the top of the report all say, in a coach's order.

Pain and stop; what was noted; how much was done of what was asked and where some is missing; the drill with the fewest
clean reps and its most frequent fault; holding arms that sank; sides that are apart.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from imu_shoulder.assess.exclusions import EXCLUSIONS
from imu_shoulder.assess.sets import HOLDER_MOVED_DEG
from imu_shoulder.calibrate.pose import NO_POSE
from imu_shoulder.model import MAYBE_SET
from imu_shoulder.one_run import PROPOSED
from imu_shoulder.parameters import told
from imu_shoulder.report import lines as report_lines
from imu_shoulder.report import words
from imu_shoulder.report.dose import ArmDose, doses, list_of
from imu_shoulder.report.pain import BEFORE

# A proposal that is less likely so is named.
SURE = 0.8
MOST_NAMED = 3  # of a list in a first line; how many more there are is said

Entry = Mapping[str, Any]


def in_order(summary: Mapping[str, Any]) -> list[Entry]:
    """The entries of the sets, in time; the arms of one set together."""
    return sorted(summary["sets"], key=lambda entry: (entry["set"], entry["side"] != "right"))


def _lifting(summary: Mapping[str, Any]) -> list[Entry]:
    """The entries that have reps: a holding arm has none to count."""
    return [entry for entry in in_order(summary) if entry.get("role") != "hold"]


def title(entry: Entry) -> str:
    """What was done."""
    return str(entry.get("title") or "Set without a drill")


def arm(entry: Entry) -> str:
    """Which arm did it, and whether its part was to hold."""
    return f"{entry['side']} arm{', holding' if entry.get('role') == 'hold' else ''}"


def first_lines(summary: Mapping[str, Any]) -> list[str]:
    """What a busy coach reads, the most pressing first. Degrees as `deg`."""
    return [text for _, text in by_kind(summary)]


def by_kind(summary: Mapping[str, Any]) -> list[tuple[str, str]]:
    """The first lines with their kinds: pain, noted, counted, proposed, done, bare, missing, clean, unscored, sank,
    sides."""
    said = (
        ("pain", str((summary.get("pain") or {}).get("text") or "")),
        ("noted", noted(summary)),
        ("counted", counted_only(summary)),
        ("proposed", proposed(summary)),
        ("done", overall(summary)),
        ("bare", " ".join(summary.get("bare_sets") or [])),
        ("missing", not_done(summary)),
        ("clean", fewest_clean(summary)),
        ("unscored", unscored(summary)),
        ("sank", holders_that_sank(summary)),
        ("sides", sides_apart(summary)),
    )
    return [(kind, text) for kind, text in said if text]


def noted(summary: Mapping[str, Any]) -> str:
    """What was written down, word by word, and at which set."""
    titles = {entry["set"]: title(entry) for entry in _lifting(summary)}
    notes = summary.get("notes")
    if notes is None:  # of an older version
        by_set = {e["set"]: e["note"] for e in in_order(summary) if e.get("note")}
        notes = [{"set": number, "text": text} for number, text in by_set.items()]
    told_of = [f"{_at(note, titles)}: “{str(note['text']).rstrip('.')}”" for note in notes]
    return f"Noted {'; '.join(told_of)}." if told_of else ""


def proposed(summary: Mapping[str, Any]) -> str:
    """That sets are proposals, what of them is in doubt, what else may be one, and how they become marks."""
    found = summary.get("proposals") or []
    sets = [own for own in found if own["kind"] == "set"]
    maybe = [own for own in found if own["kind"] == MAYBE_SET]
    if not sets and not maybe:
        return ""
    unsure = [k for k, own in enumerate(sets, start=1) if own["doubt"] or own["probability"] < SURE]
    unnamed = [k for k, own in enumerate(sets, start=1) if own["drill"] is None]
    said = [f"in doubt: {words.joined([f'set {k}' for k in unsure[:MOST_NAMED]])}"] if unsure else []
    said += [f"no known drill: {words.joined([f'set {k}' for k in unnamed[:MOST_NAMED]])}"] if unnamed else []
    none = "No set was marked: " if len(sets) > 1 else "Nothing was marked: "
    told = f"{none}{words.counted(len(sets), 'set')} {'are' if len(sets) > 1 else 'is'} proposed" if sets else ""
    them = "it" if len(sets) + len(maybe) == 1 else "them"
    do = f"Correct {them} with the command mark, or in {PROPOSED}, renamed to events.tsv"
    return ". ".join(filter(None, ["; ".join(filter(None, [told, *said])), _may_be(maybe), do])) + "."


def _may_be(maybe: Sequence[Mapping[str, Any]]) -> str:
    """Where something came back that is not counted, how often, and how likely it is exercise; likeliest first."""
    ranked = sorted(maybe, key=lambda own: -own["probability"])
    each = [
        f"{words.clock(own['start_s'])} to {words.clock(own['end_s'])}, "
        f"{'both arms' if own['side'] == 'both' else own['side'] + ' arm'}, {own['reps']} times, "
        f"{100 * own['probability']:.0f} % sure"
        for own in ranked[:MOST_NAMED]
    ]
    more = [f"{len(ranked) - MOST_NAMED} more"] if len(ranked) > MOST_NAMED else []
    return f"Not counted, may be exercise: {'; '.join([*each, *more])}" if maybe else ""


def counted_only(summary: Mapping[str, Any]) -> str:
    """That no angle is known, for want of a neutral pose, and what gives one."""
    if not summary.get("no_pose"):
        return ""
    _, came, do = NO_POSE
    return f"Counted only: no neutral pose, for {came}, and so no angle and no form. To have them, {do}."


def _at(note: Mapping[str, Any], titles: Mapping[int, str]) -> str:
    number = note["set"]
    if number == BEFORE:
        return "before the first set"
    if number is None:
        return f"at {words.clock(note['start_s'])}, outside the sets"
    return f"in set {number}" + (f" ({titles[number]})" if number in titles else "")


def overall(summary: Mapping[str, Any]) -> str:
    """The counts of all lifting arms in one sentence; of those asked where a plan asked them."""
    entries = _lifting(summary)
    sets = len({entry["set"] for entry in summary["sets"]})
    dose = [own for own in doses(summary) if own.asked]
    if not sets and not dose:
        tests = len((summary.get("range") or {}).get("tests") or [])
        return f"{words.counted(tests, 'range test')}, no drill." if tests else "No set was found."
    done, clean = (sum(entry["done"].get(key) or 0 for entry in entries) for key in ("reps", "clean"))
    whys = [item["why"] for entry in entries for item in entry.get("excluded") or []]
    unfinished = sum(why in EXCLUSIONS and EXCLUSIONS[why].given_up for why in whys)
    lost = [f"{len(whys) - unfinished} could not be scored"] if len(whys) > unfinished else []
    lost += [f"{unfinished} started but not finished"] if unfinished else []
    unseen_s = sum(entry.get("unseen_s") or 0.0 for entry in entries)
    lost += [f"{unseen_s:.0f} s not seen"] if unseen_s else []
    judged = sum(entry["done"].get("reps") or 0 for entry in entries if entry["done"].get("clean") is not None)
    of_judged = f" of {judged} judged" if judged < done else ""
    # Of reps of which none could be scored nothing is known, and none was asked to be anything.
    scored = sum(entry["done"].get("scored", 1) or 0 for entry in entries if entry["done"].get("clean") is not None)
    clean_of = [] if not judged or not scored else ["all clean" if clean == done > 1 else f"{clean}{of_judged} clean"]
    counts = f"{words.counted(done, 'rep')} done"
    if dose and (summary.get("plan") or all(_by_plan(entry) for entry in entries)):
        within, asked = (sum(getattr(own, name) for own in dose) for name in ("reps_done", "reps_of_all"))
        counts = f"{within} of {asked} asked {'rep' if asked == 1 else 'reps'} done"
        counts += f" and {done - within} that were not asked" if done > within else ""
    of_sets = words.counted(sets, "set") if sets else "No set was found"
    return f"{of_sets}: {', '.join([counts, *clean_of, *lost])}."


def _by_plan(entry: Entry) -> bool:
    return bool(entry["asked"].get("by") == "plan")


def not_done(summary: Mapping[str, Any]) -> str:
    """Which asked dose was not done, and where; without a plan, what stayed under the usual one."""
    lacking = [own for own in doses(summary) if own.missing > 0]
    short, hidden = [own for own in lacking if not own.unseen_s], [own for own in lacking if own.unseen_s]
    return " ".join(filter(None, [_short_of(short, summary), _hidden(hidden)]))


def _hidden(hidden: Sequence[ArmDose]) -> str:
    return f"Not all seen: {list_of(hidden, MOST_NAMED)}." if hidden else ""


def _short_of(short: Sequence[ArmDose], summary: Mapping[str, Any]) -> str:
    asked = [own for own in short if own.asked]
    if asked:
        return f"Not done as asked: {list_of(asked, MOST_NAMED)}."
    if not short:
        return ""
    if len(short) == len(doses(summary)) > MOST_NAMED:
        return f"No plan was given. Every drill stayed under its usual dose, most {list_of(short, 1, more=False)}."
    return f"No plan was given. Under the usual dose: {list_of(short, MOST_NAMED)}."


def fewest_clean(summary: Mapping[str, Any]) -> str:
    """The drill and arm of whose scored reps the fewest were clean, with its most frequent fault; empty where all were.

    Among equals the one with more reps that were not.
    """
    best: tuple[float, int, list[Entry]] | None = None
    for entries in _by_drill(summary).values():
        scored, clean = (sum(e["done"].get(key) or 0 for e in entries) for key in ("scored", "clean"))
        if scored > clean and (best is None or (clean / scored, clean - scored) < best[:2]):
            best = clean / scored, clean - scored, entries
    if best is None:
        return ""
    entries = best[2]
    scored, clean = (sum(e["done"].get(key) or 0 for e in entries) for key in ("scored", "clean"))
    done = sum(e["done"].get("reps") or 0 for e in entries)
    count = f"{clean or 'none'} of {scored}{' scored' if done > scored else ''}"
    return f"Fewest clean reps: {title(entries[0])}, {arm(entries[0])}, {count}{_most_frequent(entries)}."


def _by_drill(summary: Mapping[str, Any]) -> dict[tuple[str, str], list[Entry]]:
    """The judged sets of each drill and arm."""
    found: dict[tuple[str, str], list[Entry]] = {}
    for entry in _lifting(summary):
        if entry["done"].get("clean") is not None:
            found.setdefault((title(entry), entry["side"]), []).append(entry)
    return found


def _most_frequent(entries: Sequence[Entry]) -> str:
    """The fault that the most reps show, and which; several where none came more than once."""
    where: dict[str, list[tuple[int, list[int]]]] = {}
    for entry in entries:
        for fault in entry.get("faults") or []:
            where.setdefault(fault["name"], []).append((entry["set"], fault["reps"]))
    if not where:
        return ""
    counts = {name: sum(len(reps) for _, reps in found) for name, found in where.items()}
    most = max(counts.values())
    often = [f"{words.fault(name)} ({_places(where[name])})" for name, count in counts.items() if count == most]
    more = len(often) - MOST_NAMED
    named = words.joined([*often[:MOST_NAMED], *([f"{more} more"] if more > 0 else [])])
    return f"; most often {named}" if most > 1 else f"; {named}{', once each' if len(often) > 1 else ''}"


def _places(found: Sequence[tuple[int, Sequence[int]]]) -> str:
    return "; ".join(f"set {number}, {words.rep_list(reps)}" for number, reps in found)


def unscored(summary: Mapping[str, Any]) -> str:
    """Sets of which no rep could be scored, and why: nothing is known of how they were done."""
    out = []
    for entry in _lifting(summary):
        whys = [item["why"] for item in entry.get("excluded") or []]
        lost = [why for why in whys if why not in EXCLUSIONS or not EXCLUSIONS[why].given_up]
        if lost and not entry["done"].get("scored"):
            why = words.exclusion(Counter(lost).most_common(1)[0][0])
            out.append(f"set {entry['set']}, {title(entry)}, {arm(entry)} ({why})")
    return f"No rep could be scored in {'; '.join(out)}." if out else ""


def holders_that_sank(summary: Mapping[str, Any]) -> str:
    """Arms that were to hold while the other one lifted and sank, by how far and in which set."""
    out = []
    for entry in in_order(summary):
        held = entry.get("holding") or {}
        moved_deg = held.get("moved_deg")
        by = f" by {-moved_deg:.0f} deg" if words.is_number(moved_deg) and moved_deg <= -HOLDER_MOVED_DEG else ""
        if by or held.get("sank"):
            kept = "" if held.get("sank") else ", but stayed in its band"
            out.append(f"{entry['side']} arm{by} in set {entry['set']} ({title(entry)}){kept}")
    return f"Sank while holding: {'; '.join(out)}." if out else ""


def sides_apart(summary: Mapping[str, Any]) -> str:
    """Where the sides differ by more than measuring alone can make: range tests, the largest, and sets of both arms."""
    found = [
        (abs(test["difference"]["mean_deg"]), test)
        for test in (summary.get("range") or {}).get("tests") or []
        if test["difference"] is not None and _sides_differ(test)
    ]
    out = []
    if found:
        size_deg, test = max(found, key=lambda item: item[0])
        more = "right" if test["difference"]["mean_deg"] > 0 else "left"
        name = f"{test['title'][:1].lower()}{test['title'][1:]}"
        out.append(f"The sides differ most in {name}: {size_deg:.0f} deg more on the {more}.")
    apart = {
        entry["set"]: f"Sides apart in set {entry['set']} ({title(entry)}): {entry['side_difference']['text']}"
        for entry in _lifting(summary)
        if (entry.get("side_difference") or {}).get("beyond")
    }
    return " ".join([*out, *apart.values()])


def _sides_differ(test: Mapping[str, Any]) -> bool:
    """Against the published limit; where there is none, against the errors stated for both sides (95 %)."""
    difference = test["difference"]
    if difference["over_mdc90"] is not None:
        return bool(difference["over_mdc90"])
    errors = [side.get("sd_deg") for side in test["sides"].values()]
    return None not in errors and abs(difference["mean_deg"]) > 1.96 * math.hypot(*errors)


def data_line(summary: Mapping[str, Any]) -> str:
    """How many warnings the data carry, and of how many of them samples were not used; empty where there are none."""
    severities = Counter(finding["severity"] for finding in findings(summary))
    warnings = severities["fault"] + severities["warning"]
    serious = f", {severities['fault']} of them serious" if severities["fault"] else ""
    return f"Data: {words.counted(warnings, 'warning')}{serious}." if warnings else ""


def findings(summary: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Every finding once, with its placement, the worst first."""
    every = [dict(finding) for finding in summary.get("findings") or []]
    for placement, quality in (summary.get("data_quality") or {}).items():
        every += [{**finding, "placement": placement} for finding in quality.get("findings") or []]
    once = {(f.get("placement"), f["code"], f.get("start_s"), f["text"]): f for f in every}
    return sorted(once.values(), key=lambda finding: list(words.SEVERITIES).index(finding["severity"]))


def terminal_lines(summary: Mapping[str, Any]) -> list[str]:
    """The first lines, then the session's name and each set, as lines for a terminal."""
    recording = summary["recording"]
    lines = [
        *map(words.degrees, first_lines(summary)),
        f"{recording['athlete']}, {words.date(recording['start'])}, {recording['name']}",
    ]
    for entry in in_order(summary):
        lines.append(f"Set {entry['set']}, {title(entry)}, {arm(entry)}: {entry['headline']}")
        lines += [f"    {text}" for text in (report_lines.next_time(entry), report_lines.telling(entry)) if text]
    lines += filter(None, [data_line(summary)])
    if summary["not_seen"]:
        lines.append(f"Not seen by these sensors: {' '.join(summary['not_seen'])}")
    lines += filter(None, [told(summary.get("parameters_changed") or {})])
    return lines + list(summary["cautions"])
