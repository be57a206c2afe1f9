"""Bad inputs to all commands, each with the answer that is allowed. tests/test_bad_input_table.py tries them."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import sqlite3
import struct
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from imu_shoulder.history.store import open_store
from imu_shoulder.log.entries import NodeEntry, Session, pack, pack_data, pack_state
from imu_shoulder.log.records import DATA, END, EVENT, NODE, SAMPLES, SESSION, STATE, encode_record

WRIST, UPPER = "right_wrist.csv", "right_upper_arm.csv"
ANALYSE = "analyse r --out o"
ODD = "\x1b[31mred\x07"
Spoil = Callable[[Path], object]


@dataclass(frozen=True)
class Bad:
    """spoil: changes a copy of the workspace. words: the command, run in it. said: what the sentence holds.

    accepted: exit code 0, and `said` is in the output; otherwise exit code 2 and one sentence.
    """

    name: str
    spoil: Spoil
    words: str
    said: tuple[str, ...]
    accepted: bool = False


def swap(name: str, old: str, new: str) -> Spoil:
    def spoil(place: Path) -> None:
        text = (place / name).read_text(encoding="utf-8")
        assert old in text
        (place / name).write_text(text.replace(old, new, 1), encoding="utf-8")

    return spoil


def write(name: str, content: str | bytes) -> Spoil:
    data = content.encode() if isinstance(content, str) else content
    return lambda place: (place / name).write_bytes(data)


def append(name: str, text: str) -> Spoil:
    return lambda place: (place / name).write_text((place / name).read_text(encoding="utf-8") + text, encoding="utf-8")


def both(*spoils: Spoil) -> Spoil:
    return lambda place: [spoil(place) for spoil in spoils]


def timed(change: Callable[[pd.Series], pd.Series], *names: str) -> Spoil:
    """Another time column in files of the recording; in all of them without names."""

    def spoil(place: Path) -> None:
        for name in names or (WRIST, UPPER):
            frame = pd.read_csv(place / "r" / name)
            frame["time_s"] = change(frame["time_s"])
            frame.to_csv(place / "r" / name, index=False)

    return spoil


def late_from(share: float, by_s: float) -> Callable[[pd.Series], pd.Series]:
    """Everything from a share of the rows on comes so much later."""
    return lambda time_s: time_s + by_s * (time_s.index >= share * len(time_s))


def cells(column: int, text: str, row: int = 10) -> Spoil:
    def spoil(place: Path) -> None:
        lines = (place / "r" / WRIST).read_text().splitlines()
        parts = lines[row].split(",")
        parts[column] = text
        lines[row] = ",".join(parts)
        (place / "r" / WRIST).write_text("\n".join(lines) + "\n")

    return spoil


def every(column: int, text: str) -> Spoil:
    """A column of one sensor's file that says the same in every row."""

    def spoil(place: Path) -> None:
        frame = pd.read_csv(place / "r" / WRIST, dtype=str)
        frame.iloc[:, column] = text
        frame.to_csv(place / "r" / WRIST, index=False)

    return spoil


def truths_in_parquet(place: Path) -> None:
    frame = pd.read_csv(place / "r" / WRIST)
    frame.assign(acc_x=frame["acc_x"] > 0).to_parquet(place / "r" / "right_wrist.parquet")
    swap("r/recording.toml", f'"{WRIST}"', '"right_wrist.parquet"')(place)


def other_tables(place: Path) -> None:
    """A database file that some other program keeps."""
    with contextlib.closing(sqlite3.connect(place / "h.db")) as connection, connection:
        connection.execute("create table songs (title text)")


def looped(name: str) -> Spoil:
    """A symbolic link that leads to itself, in place of what was there."""

    def spoil(place: Path) -> None:
        path = place / name
        shutil.rmtree(path) if path.is_dir() else path.unlink(missing_ok=True)
        path.symlink_to(path.name)

    return spoil


def folder_instead(name: str) -> Spoil:
    def spoil(place: Path) -> None:
        (place / name).unlink(missing_ok=True)
        (place / name).mkdir()

    return spoil


def pipe_instead(name: str) -> Spoil:
    """A pipe that nobody writes into: who opens it to read waits for ever."""

    def spoil(place: Path) -> None:
        (place / name).unlink(missing_ok=True)
        os.mkfifo(place / name)

    return spoil


def changed_json(name: str, change: Callable[[dict], object]) -> Spoil:
    def spoil(place: Path) -> None:
        document = json.loads((place / name).read_text(encoding="utf-8"))
        change(document)
        (place / name).write_text(json.dumps(document), encoding="utf-8")

    return spoil


def log_of(*records: tuple[int, bytes]) -> Spoil:
    return write(
        "a.log", b"".join(encode_record(kind, index, payload) for index, (kind, payload) in enumerate(records))
    )


SET = "{}\t4\tset\tfull_can\tright\n"
DEEP = 3000
HEAD = (SESSION, pack(Session("M.K.", "2026-05-04T09:30:00+02:00", 0, 1e9)))
WORN = (NODE, pack(NodeEntry(0, "C0:00:00:00:00:00", "right_wrist", "contract-1")))
ROW = struct.pack("<BBHddd", 0, 7, 1, 100.0, 80.0, 35.0) + struct.pack("<7d", *range(7))

RECORDINGS = [
    Bad(
        "toml nested deep",
        write("r/recording.toml", "a = " + "[" * DEEP + "]" * DEEP),
        ANALYSE,
        ("recording.toml", "nested"),
    ),
    Bad("tables nested deep", write("r/recording.toml", f"[{'.'.join('a' * DEEP)}]\nb = 1\n"), ANALYSE, ("nested",)),
    Bad("no utf-8", write("r/recording.toml", b"schema = 1 \xff\xfe"), ANALYSE, ("recording.toml", "TOML")),
    Bad("nul bytes", write("r/recording.toml", b"\0" * 400), ANALYSE, ("recording.toml", "TOML")),
    Bad("toml of 30 MB", write("r/recording.toml", "# " + "x" * 30_000_000), ANALYSE, ("recording.toml", "1 MB", "30")),
    Bad(
        "schema of a later version",
        swap("r/recording.toml", "schema = 1", "schema = 2"),
        ANALYSE,
        ("schema", "it is 2"),
    ),
    Bad(
        "athlete of 5000 letters",
        swap("r/recording.toml", 'athlete = "', f'athlete = "{"x" * 5000}'),
        ANALYSE,
        ("athlete", "letters"),
    ),
    Bad(
        "athlete is a number",
        swap("r/recording.toml", "athlete = ", "athlete = 5 # "),
        ANALYSE,
        ("athlete", "a text", "5"),
    ),
    Bad(
        "start is no date",
        swap("r/recording.toml", "start = ", 'start = "soon" # '),
        ANALYSE,
        ("start", "ISO 8601", "soon"),
    ),
    Bad(
        "a file outside the folder",
        swap("r/recording.toml", f'"{WRIST}"', '"../r/right_wrist.csv"'),
        ANALYSE,
        ("file", "in the folder"),
    ),
    Bad(
        "a file name of 300 letters",
        swap("r/recording.toml", f'"{WRIST}"', f'"{"x" * 300}.csv"'),
        ANALYSE,
        ("file", "letters"),
    ),
    Bad(
        "rate of nan",
        swap("r/recording.toml", "sample_rate_hz = 50.0", "sample_rate_hz = nan"),
        ANALYSE,
        ("sample_rate_hz", "nan"),
    ),
    Bad(
        "rate of a hundred thousand digits",
        swap("r/recording.toml", "sample_rate_hz = 50.0", "sample_rate_hz = 1" + "0" * 99_999),
        ANALYSE,
        ("recording.toml",),
    ),
    Bad(
        "rate ten times too high",
        swap("r/recording.toml", "sample_rate_hz = 50.0", "sample_rate_hz = 500.0"),
        ANALYSE,
        ("500 Hz", "50"),
    ),
    Bad(
        "rate of a half",
        swap("r/recording.toml", "sample_rate_hz = 50.0", "sample_rate_hz = 25.0"),
        ANALYSE,
        ("25 Hz", "50"),
    ),
    Bad(
        "the same sensor twice",
        swap("r/recording.toml", '"right_upper_arm"', '"right_wrist"'),
        ANALYSE,
        ("right_wrist comes twice",),
    ),
    Bad("one file for two sensors", swap("r/recording.toml", f'"{UPPER}"', f'"{WRIST}"'), ANALYSE, ("named twice",)),
    Bad(
        "two files of the same numbers",
        lambda p: shutil.copy(p / "r" / WRIST, p / "r" / UPPER),
        ANALYSE,
        ("right_wrist and right_upper_arm", "the same"),
    ),
    Bad("recording is a symlink loop", looped("r"), ANALYSE, ("r",)),
    Bad("sensor file is a symlink loop", looped(f"r/{WRIST}"), ANALYSE, ("right_wrist",)),
    Bad("sensor file is a folder", folder_instead(f"r/{WRIST}"), ANALYSE, ("right_wrist", "no such file")),
    Bad("sensor file is a pipe", pipe_instead(f"r/{WRIST}"), ANALYSE, ("right_wrist",)),
    Bad(
        "sensor file is a picture",
        write(f"r/{WRIST}", b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 40),
        ANALYSE,
        (WRIST,),
    ),
    Bad("header of 200 kB", write(f"r/{WRIST}", "x" * 200_000 + "\n1\n"), ANALYSE, (WRIST,)),
    Bad("a cell of 200 kB", cells(2, "9" * 200_000), ANALYSE, (WRIST, "row 11", "acc_y")),
    Bad("a quoted cell of 200 kB", cells(2, '"' + "9" * 200_000 + '"'), ANALYSE, (WRIST, "row 11")),
    Bad("a cell that is a formula", cells(2, "=1+1"), ANALYSE, (WRIST, "row 11", "acc_y", "=1+1")),
    Bad("a cell with escapes", cells(2, ODD), ANALYSE, (WRIST, "row 11", "\\x1b")),
    Bad("a row with more cells", cells(6, "0,0"), ANALYSE, (WRIST, "row 11", "8")),
    Bad("a row with fewer cells", lambda p: (p / "r" / WRIST).open("a").write("1,2,3\n"), ANALYSE, (WRIST, "3")),
    Bad("300 columns", write(f"r/{WRIST}", ",".join(f"c{n}" for n in range(300)) + "\n"), ANALYSE, (WRIST,)),
    Bad("a day within a warm-up", timed(late_from(0.5, 86_400.0)), ANALYSE, ("24", "hours", WRIST)),
    Bad("one row a year ahead", timed(lambda t: t.where(t.index != 500, t + 3.15e7)), ANALYSE, ("hours", WRIST)),
    Bad("milliseconds declared as seconds", timed(lambda t: 1000 * t), ANALYSE, ("time_s", "milliseconds")),
    Bad("microseconds declared as seconds", timed(lambda t: 1e6 * t), ANALYSE, ("time_s", "microseconds")),
    Bad("seconds declared a thousandth", timed(lambda t: t / 1000), ANALYSE, ("declared 50 Hz", "unit")),
    Bad("sensors a year apart", timed(lambda t: t + 3.15e7, WRIST), ANALYSE, ("right_wrist", "right_upper_arm")),
    Bad(
        "one row only",
        lambda p: [
            (p / "r" / n).write_text("\n".join((p / "r" / n).read_text().splitlines()[:2]) + "\n")
            for n in (WRIST, UPPER)
        ],
        ANALYSE,
        ("right_wrist",),
    ),
    Bad(
        "a sensor of two rows",
        lambda p: (p / "r" / WRIST).write_text("\n".join((p / "r" / WRIST).read_text().splitlines()[:3]) + "\n"),
        ANALYSE,
        ("5 samples or more", "right_wrist", "there are 2"),
    ),
    Bad("truth values in place of numbers", every(1, "True"), ANALYSE, (WRIST, "row 2", "acc_x", "'True'")),
    Bad("truth values in capitals", every(5, "FALSE"), ANALYSE, (WRIST, "row 2", "gyr_y", "'FALSE'")),
    Bad("truth values in a parquet file", truths_in_parquet, ANALYSE, ("right_wrist.parquet", "acc_x", "bool")),
    Bad(
        "truth values under a map",
        lambda p: (p / "data/upper.csv").write_text(
            (p / "data/upper.csv").read_text().replace(";0.1;0;-1;", ";true;0;-1;")
        ),
        "analyse data --map map.toml --out o",
        ("upper.csv", "row 4", "'true'"),
    ),
    Bad("schema of nan", swap("r/recording.toml", "schema = 1", "schema = nan"), ANALYSE, ("schema", "it is nan")),
    Bad("schema of true", swap("r/recording.toml", "schema = 1", "schema = true"), ANALYSE, ("schema", "it is True")),
    Bad("events of another table", write("r/events.tsv", "a,b,c\n1,2,3\n"), ANALYSE, ("onset", "events.tsv")),
    Bad("events empty", write("r/events.tsv", ""), ANALYSE, ("events.tsv",)),
    Bad("events is a folder", folder_instead("r/events.tsv"), ANALYSE, ("events.tsv",)),
    Bad("onset in words", append("r/events.tsv", SET.format("soon")), ANALYSE, ("events.tsv", "onset", "'soon'")),
    Bad(
        "2000 sets",
        append("r/events.tsv", "".join(SET.format(20 + n / 1000) for n in range(2000))),
        ANALYSE,
        ("events.tsv", "sets", "2001"),
    ),
    Bad(
        "the same set twice",
        lambda p: append("r/events.tsv", (p / "r/events.tsv").read_text().splitlines()[-1] + "\n")(p),
        ANALYSE,
        ("events.tsv", "twice"),
    ),
    Bad("a set that lasts a day", append("r/events.tsv", "20\t86400\tset\tfull_can\tright\n"), ANALYSE, ("86400",)),
    Bad("a set beyond the end", append("r/events.tsv", SET.format(5000)), ANALYSE, ("events.tsv", "5000")),
    Bad(
        "pain of eleven",
        write("r/events.tsv", "onset\tduration\ttrial_type\tdrill\tside\tpain\n1\t2\tset\tfull_can\tright\t11\n"),
        ANALYSE,
        ("pain", "0 to 10", "'11'"),
    ),
    Bad(
        "a note of 100 kB",
        write(
            "r/events.tsv",
            "onset\tduration\ttrial_type\tdrill\tside\tnote\n1\t2\tset\tfull_can\tright\t" + "x" * 100_000 + "\n",
        ),
        ANALYSE,
        ("reps",),
        accepted=True,
    ),
    Bad(
        "left sensors, right marks",
        both(
            swap("r/recording.toml", '"right_wrist"', '"left_wrist"'),
            swap("r/recording.toml", '"right_upper_arm"', '"left_upper_arm"'),
        ),
        ANALYSE,
        ("right arm", "left_wrist"),
    ),
    Bad(
        "one set of an arm without a sensor",
        append("r/events.tsv", "14\t2\tset\tfull_can\tleft\n"),
        ANALYSE,
        ("left arm: no sensor sat on it",),
        accepted=True,
    ),
    Bad(
        "an athlete with escapes",
        swap("r/recording.toml", 'athlete = "', 'athlete = "\\u001b[31m'),
        ANALYSE,
        ("reps",),
        accepted=True,
    ),
    Bad(
        "events with the end of line of windows",
        lambda p: (p / "r/events.tsv").write_bytes((p / "r/events.tsv").read_bytes().replace(b"\n", b"\r\n")),
        ANALYSE,
        ("reps",),
        accepted=True,
    ),
    Bad("export of the same recording twice", lambda p: None, "export r r --out o", ("each recording once",)),
    Bad("range without tests", lambda p: None, "range r", ("range test",)),
    Bad(
        "live without a page from nothing",
        lambda p: None,
        "live --replay gone --no-page --speed max --out o",
        ("no such folder",),
    ),
    Bad("live at a speed of nan", lambda p: None, "live --replay r --no-page --speed nan --out o", ("nan",)),
    Bad(
        "live replay of a set beyond the end",
        append("r/events.tsv", SET.format(5000)),
        "live --replay r --no-page --speed max --out o",
        ("events.tsv", "5000"),
    ),
    Bad(
        "live replay of left sensors with right marks",
        both(
            swap("r/recording.toml", '"right_wrist"', '"left_wrist"'),
            swap("r/recording.toml", '"right_upper_arm"', '"left_upper_arm"'),
        ),
        "live --replay r --no-page --speed max --out o",
        ("right arm", "left_wrist"),
    ),
    Bad(
        "live replay with a day within",
        timed(late_from(0.5, 86_400.0)),
        "live --replay r --no-page --speed max --out o",
        ("24", "hours"),
    ),
    Bad("compare-filters without truth", lambda p: None, "compare-filters r", ("true_angles",)),
    Bad("sensor-check of a warm-up laid on faces", lambda p: None, "sensor-check --six-face r --out o", ("face",)),
    Bad("sensor-check of nothing", lambda p: None, "sensor-check --still gone --out o", ("no such folder",)),
    Bad("plan-study of a negative sd", lambda p: None, "plan-study --sd -3 --half-width 1", ("-3",)),
    Bad("plan-study of nan", lambda p: None, "plan-study --sd nan --within 5", ("nan",)),
    Bad("simulate of no scenario", lambda p: None, "simulate --scenario nonsense --out o", ("nonsense",)),
    Bad("simulate into a file", write("o", "kept"), "simulate --out o/r", ("o/r",)),
    Bad("demo into a file", write("o", "kept"), "demo --out o", ("o",)),
    Bad("record of a name of 300 letters", lambda p: None, f"record --athlete {'x' * 300} --out o", ("athlete", "200")),
    Bad("record without a node's placement", lambda p: None, "record --athlete M.K. --node AA=hand --out o", ("hand",)),
]

FILES = [
    Bad(
        "drill nested deep",
        write("drill.toml", "a = " + "[" * DEEP + "]" * DEEP),
        "drills check drill.toml",
        ("drill.toml", "nested"),
    ),
    Bad(
        "drill with a long title",
        swap("drill.toml", 'title = "', f'title = "{"x" * 5000}'),
        "drills check drill.toml",
        ("title", "letters"),
    ),
    Bad(
        "drill with 5000 stations",
        append(
            "drill.toml",
            "".join(
                f'[[stations]]\nname = "s{n}"\nranges = [{{ angle = "elevation", at_least = 9 }}]\n'
                for n in range(5000)
            ),
        ),
        "drills check drill.toml",
        ("drill.toml",),
    ),
    Bad(
        "drill of 1e9 reps",
        swap("drill.toml", "reps = 10", "reps = 1000000000"),
        "drills check drill.toml",
        ("reps", "1000000000"),
    ),
    Bad("drill that is a loop", looped("drill.toml"), "drills check drill.toml", ("drill.toml",)),
    Bad("drill that is a pipe", pipe_instead("drill.toml"), "drills check drill.toml", ("drill.toml",)),
    Bad(
        "drill with escapes in its title",
        swap("drill.toml", 'title = "', 'title = "\\u001b[31m\\u0007'),
        "drills show drill.toml",
        ("\\x1b[31m\\x07Full can",),
        accepted=True,
    ),
    Bad("drill of no name", lambda p: None, "drills show ../../etc/passwd", ("one of the drills",)),
    Bad(
        "plan of another athlete",
        swap("plan.toml", "athlete = ", 'athlete = "Z" # '),
        f"{ANALYSE} --plan plan.toml",
        ("Z",),
    ),
    Bad(
        "plan without a drill",
        write("plan.toml", 'schema = 1\nathlete = "M"\n'),
        f"{ANALYSE} --plan plan.toml",
        ("[[drill]]",),
    ),
    Bad(
        "plan of an unknown drill",
        swap("plan.toml", "full_can", "full_cam"),
        f"{ANALYSE} --plan plan.toml",
        ("full_cam",),
    ),
    Bad(
        "plan nested deep",
        write("plan.toml", f"[{'.'.join('a' * DEEP)}]\n"),
        f"{ANALYSE} --plan plan.toml",
        ("plan.toml", "nested"),
    ),
    Bad(
        "plan of 1e300 reps",
        append("plan.toml", "reps = 1" + "0" * 300 + "\n"),
        f"{ANALYSE} --plan plan.toml",
        ("reps",),
    ),
    Bad("plan shown that is a loop", looped("plan.toml"), "plan show plan.toml", ("plan.toml",)),
    Bad(
        "plan shown with escapes",
        swap("plan.toml", 'athlete = "', 'athlete = "\\u001b[31m'),
        "plan show plan.toml",
        ("\\x1b[31m", "Full can"),
        accepted=True,
    ),
    Bad(
        "rules without a last one",
        write("rules.toml", "schema = 1\n[[rules]]\nadvice = 'stay'\n"),
        f"{ANALYSE} --rules rules.toml",
        ("rules.toml",),
    ),
    Bad(
        "params of an unknown name",
        write("params.toml", "[judge]\nnonsense = 1\n"),
        f"{ANALYSE} --params params.toml",
        ("nonsense",),
    ),
    Bad(
        "params of inf",
        write("params.toml", "[judge]\nstart_margin_deg = inf\n"),
        f"{ANALYSE} --params params.toml",
        ("params.toml",),
    ),
    Bad(
        "params nested deep",
        write("params.toml", f"[{'.'.join(['judge'] * DEEP)}]\n"),
        f"{ANALYSE} --params params.toml",
        ("params.toml",),
    ),
    Bad(
        "correction of nan",
        write("correction.toml", 'schema = 1\n[[sensor]]\nplacement = "right_wrist"\nacc_scale = [nan, 1, 1]\n'),
        f"{ANALYSE} --correction correction.toml",
        ("acc_scale",),
    ),
    Bad(
        "correction of no sensor worn",
        write("correction.toml", 'schema = 1\n[[sensor]]\nplacement = "sternum"\nacc_scale = [1.1, 1, 1]\n'),
        f"{ANALYSE} --correction correction.toml",
        ("sternum",),
    ),
    Bad(
        "calibration nested deep",
        write("calibration.json", "[" * 100_000),
        f"{ANALYSE} --calibration calibration.json",
        ("calibration.json",),
    ),
    Bad(
        "calibration cut off",
        lambda p: (p / "calibration.json").write_bytes((p / "calibration.json").read_bytes()[:700]),
        f"{ANALYSE} --calibration calibration.json",
        ("calibration.json",),
    ),
    Bad(
        "calibration of a list",
        write("calibration.json", "[1, 2]"),
        f"{ANALYSE} --calibration calibration.json",
        ("calibration.json",),
    ),
    Bad(
        "calibration with texts for numbers",
        changed_json(
            "calibration.json",
            lambda d: d["arms"]["right"]["sensors"]["right_wrist"].update(up_in_sensor=["a", "b", "c"]),
        ),
        f"{ANALYSE} --calibration calibration.json",
        ("calibration.json",),
    ),
    Bad(
        "calibration whose arms are a text",
        changed_json("calibration.json", lambda d: d.update(arms="right")),
        f"{ANALYSE} --calibration calibration.json",
        ("calibration.json",),
    ),
    Bad(
        "calibration whose parameters are numbers",
        changed_json("calibration.json", lambda d: d.update(parameters_changed={"judge.x": 5})),
        f"{ANALYSE} --calibration calibration.json",
        ("parameters",),
    ),
    Bad(
        "history without a start",
        changed_json("earlier/summary.json", lambda d: d["recording"].pop("start")),
        f"{ANALYSE} --history earlier",
        ("earlier", "start"),
    ),
    Bad(
        "history whose recording is a text",
        changed_json("earlier/summary.json", lambda d: d.update(recording="x")),
        f"{ANALYSE} --history earlier",
        ("earlier",),
    ),
    Bad(
        "history whose sets lack keys",
        changed_json("earlier/summary.json", lambda d: d.update(sets=[{}])),
        f"{ANALYSE} --history earlier",
        ("earlier",),
    ),
    Bad(
        "history whose sets are numbers",
        changed_json("earlier/summary.json", lambda d: d.update(sets=5)),
        f"{ANALYSE} --history earlier",
        ("earlier",),
    ),
    Bad(
        "history whose counts are texts",
        changed_json("earlier/summary.json", lambda d: d["sets"][0].update(done={"scored": "a", "excluded": None})),
        f"{ANALYSE} --history earlier",
        ("earlier",),
    ),
    Bad(
        "history nested deep",
        write("earlier/summary.json", "[" * 100_000),
        f"{ANALYSE} --history earlier",
        ("summary.json",),
    ),
    Bad("history twice", lambda p: None, f"{ANALYSE} --history earlier --history earlier", ("twice",)),
    Bad("history that is a loop", looped("earlier"), f"{ANALYSE} --history earlier", ("earlier",)),
    Bad(
        "report of an incomplete summary",
        changed_json("results/summary.json", lambda d: d.pop("sets")),
        "report results --out o",
        ("summary.json",),
    ),
    Bad(
        "report whose summary lacks a deep key",
        changed_json("results/summary.json", lambda d: d["sets"][0].pop("done")),
        "report results --out o",
        ("summary.json",),
    ),
    Bad("report of a summary of a list", write("results/summary.json", "[]"), "report results --out o", ("results",)),
    Bad(
        "report nested deep", write("results/summary.json", "[" * 100_000), "report results --out o", ("summary.json",)
    ),
    Bad("report without columns", write("results/reps.csv", "a,b\n1,2\n"), "report results --out o", ("reps.csv",)),
    Bad(
        "paper of an incomplete summary",
        changed_json("results/summary.json", lambda d: d.pop("parameters")),
        "report results --paper --out o",
        ("summary.json",),
    ),
    Bad(
        "angles that are no parquet",
        write("results/angles.parquet", "x"),
        "report results --out o",
        ("angles.parquet",),
    ),
    Bad(
        "reference with a cell of 200 kB",
        write("r/reference.csv", "time_s,angle,side,reading_deg\n1,elevation,right," + "9" * 200_000 + "\n"),
        "validate r --out o",
        ("reference.csv", "reading_deg"),
    ),
    Bad(
        "reference with a short row",
        write("r/reference.csv", "time_s,angle,side,reading_deg\n1,elevation\n"),
        "validate r --out o",
        ("reference.csv", "row 2"),
    ),
    Bad(
        "reference with a long row",
        write("r/reference.csv", "time_s,angle,side,reading_deg\n1,elevation,right,90,5\n"),
        "validate r --out o",
        ("reference.csv",),
    ),
    Bad(
        "reference of a year ahead",
        write("r/reference.csv", "time_s,angle,side,reading_deg\n3e7,elevation,right,90\n"),
        "validate r --out o",
        ("reference.csv",),
    ),
    Bad(
        "map nested deep",
        write("map.toml", f"[{'.'.join('a' * DEEP)}]\n"),
        "analyse data --map map.toml --out o",
        ("map.toml", "nested"),
    ),
    Bad(
        "map with the wrong unit of time",
        swap("map.toml", 'time_unit = "ms"', 'time_unit = "s"'),
        "analyse data --map map.toml --out o",
        ("milliseconds",),
    ),
    Bad(
        "map with a wrong rate",
        swap("map.toml", "sample_rate_hz = 50", "sample_rate_hz = 200"),
        "analyse data --map map.toml --out o",
        ("200 Hz", "50"),
    ),
    Bad(
        "map with one file for two sensors",
        swap("map.toml", '"upper.csv"', '"forearm.csv"'),
        "analyse data --map map.toml --out o",
        ("the same",),
    ),
    Bad(
        "map that skips 10**18 rows",
        swap("map.toml", "skip_rows = 2", "skip_rows = 1000000000000000000"),
        "analyse data --map map.toml --out o",
        ("skip_rows",),
    ),
    Bad(
        "map with a line break as delimiter",
        swap("map.toml", 'delimiter = ";"', 'delimiter = "\\n"'),
        "analyse data --map map.toml --out o",
        ("delimiter",),
    ),
    Bad(
        "map that reads a pipe",
        both(pipe_instead("data/upper.csv"), swap("map.toml", '"upper.csv"', '"upper.csv"')),
        "analyse map.toml --out o",
        ("forearm.csv",),
    ),
    Bad("files to map that are not there", lambda p: None, "map gone.csv --out m.toml --yes", ("gone.csv",)),
    Bad("a folder without files to map", lambda p: (p / "none").mkdir(), "map none --out m.toml --yes", ("files",)),
    Bad("a pipe to map", pipe_instead("data/a.csv"), "map data/a.csv --out m.toml --yes", ("a.csv",)),
    Bad("a loop to map", looped("data/a.csv"), "map data/a.csv --out m.toml --yes", ("a.csv",)),
    Bad("an empty file to map", write("data/a.csv", ""), "map data/a.csv --out m.toml --yes", ("empty",)),
    Bad("a picture to map", write("a.csv", b"\x89PNG\0\0\r\n" * 300), "map a.csv --out m.toml --yes", ("no text",)),
    Bad("one long line to map", write("a.csv", "1," * 900_000), "map a.csv --out m.toml --yes", ("a.csv",)),
    Bad("words to map", write("a.csv", "now is the hour\n" * 300), "map a.csv --out m.toml --yes", ("three numbers",)),
    Bad(
        "numbers of nothing to map",
        write("a.csv", "1,2,3,4,5,6,7\n" * 300),
        "map a.csv --out m.toml --yes",
        ("accelerometer",),
    ),
    Bad("files that show no gyroscope unit", lambda p: None, "map data --out m.toml --yes", ("upper.csv", "--")),
    Bad("a placement that is none", lambda p: None, "map data --placement a=nose --yes", ("right_wrist", "nose")),
    Bad(
        "a placement of nothing",
        lambda p: None,
        "map r/right_wrist.csv --placement b=sternum --out m.toml --yes",
        ("right_wrist.csv", "'b'"),
    ),
    Bad("a draft that nobody confirms", lambda p: None, "map r --out m.toml", ("--yes",)),
    Bad("a start that is none", lambda p: None, "map r --start soon --out m.toml --yes", ("start", "soon")),
    Bad("a map into a file's place", lambda p: None, "map r --out map.toml/m.toml --yes", ("m.toml",)),
    Bad(
        "an escape in a column's name",
        swap("r/right_wrist.csv", "acc_x", f"acc_{ODD}_x"),
        "map r/right_wrist.csv --out m.toml --yes",
        ("Map",),
        accepted=True,
    ),
    Bad(
        "data set without its sidecar",
        lambda p: next((p / "bids").rglob("*_motion.json")).unlink(),
        "import bids --out o",
        ("motion.json",),
    ),
    Bad(
        "data set nested deep",
        lambda p: next((p / "bids").rglob("*_motion.json")).write_text("[" * 100_000),
        "import bids --out o",
        ("motion.json",),
    ),
    Bad(
        "data set whose sidecar is a list",
        lambda p: next((p / "bids").rglob("*_motion.json")).write_text("[]"),
        "import bids --out o",
        ("motion.json",),
    ),
    Bad(
        "data set whose range is a text",
        lambda p: changed_json(
            str(next((p / "bids").rglob("*_motion.json")).relative_to(p)), lambda d: d.update(AccelerometerRange="much")
        )(p),
        "import bids --out o",
        ("AccelerometerRange",),
    ),
    Bad(
        "data set whose participants lack a column",
        write("bids/participants.tsv", "a\tathlete\n1\t2\n"),
        "import bids --out o",
        ("participants.tsv",),
    ),
    Bad("log of zeros", write("a.log", bytes(5000)), "recover a.log --out o", ("a.log", "no whole record")),
    Bad("log without samples", log_of(HEAD, (END, b"{}")), "recover a.log --out o", ("samples",)),
    Bad("log with an empty data record", log_of(HEAD, WORN, (DATA, b"")), "recover a.log --out o", ("log",)),
    Bad("log with a short state", log_of(HEAD, WORN, (STATE, b"\0\1\2")), "recover a.log --out o", ("log",)),
    Bad(
        "log whose session is a list", log_of((SESSION, b"[1]"), (SAMPLES, ROW)), "recover a.log --out o", ("Session",)
    ),
    Bad(
        "log whose times are texts",
        log_of((SESSION, b'{"athlete":"a","start":"b","host_ns":"c","wall_s":1}'), (SAMPLES, ROW)),
        "recover a.log --out o",
        ("Session",),
    ),
    Bad("log nested deep", log_of((SESSION, b"[" * 60_000), (SAMPLES, ROW)), "recover a.log --out o", ("Session",)),
    Bad(
        "log with a node of no kind",
        log_of(HEAD, (NODE, pack(NodeEntry(0, "C0", "right_wrist", "nonsense")))),
        "recover a.log --out o",
        ("nonsense",),
    ),
    Bad(
        "log with a node worn nowhere",
        log_of(
            HEAD,
            (NODE, pack(NodeEntry(0, "C0", "hand", "contract-1"))),
            (DATA, pack_data(0, 5, b"x")),
            (STATE, pack_state(0, 1, 2, b"x")),
        ),
        "recover a.log --out o",
        ("hand",),
    ),
    Bad(
        "log with an event of no kind",
        log_of(HEAD, (EVENT, b'{"host_ns":5,"what":"dance"}'), (SAMPLES, ROW)),
        "recover a.log --out o",
        ("dance",),
    ),
    Bad("log with samples of no place", log_of(HEAD, (SAMPLES, b"\xff" + ROW[1:])), "recover a.log --out o", ("log",)),
    Bad("log with short samples", log_of(HEAD, (SAMPLES, ROW[:-3])), "recover a.log --out o", ("log",)),
    Bad(
        "log with samples of nan",
        log_of(HEAD, (SAMPLES, ROW[:-8] + struct.pack("<d", float("nan")))),
        "recover a.log --out o",
        ("log",),
    ),
    Bad("map at a rate of nan", lambda p: None, "map r --rate nan --out m.toml --yes", ("--rate", "nan")),
    Bad("map of a scale of inf", lambda p: None, "map r --acc-scale inf --out m.toml --yes", ("--acc-scale", "inf")),
    Bad("an acceleration of 1e300", cells(1, "1e300"), ANALYSE, (WRIST, "row 11", "1e+300")),
    Bad("all accelerations of 1e300", every(1, "1e300"), ANALYSE, (WRIST, "row 2", "1e+300")),
    Bad("all rates of 1e200", every(4, "1e200"), ANALYSE, (WRIST, "row 2", "1e+200")),
    Bad("a history that is a loop", looped("h.db"), "history list --db h.db", ("h.db",)),
    Bad("a history that is a pipe", pipe_instead("h.db"), "history list --db h.db", ("h.db",)),
    Bad(
        "results at no time to take in",
        both(write("i.csv", "athlete,start,done\nM.K.,nan,yes\n"), lambda p: open_store(p / "h.db").close()),
        "history import i.csv --db h.db",
        ("row 2 of i.csv", "nan"),
    ),
    Bad(
        "a mark of byte order before TOML",
        lambda p: (p / "r/recording.toml").write_bytes(b"\xef\xbb\xbf" + (p / "r/recording.toml").read_bytes()),
        ANALYSE,
        ("Report:",),
        accepted=True,
    ),
    Bad("a history that is a text", write("h.db", "words " * 99), "history list --db h.db", ("h.db",)),
    Bad("a history of another program", other_tables, "history list --db h.db", ("h.db", "another program's")),
    Bad(
        "a session in the year 1",
        lambda p: None,
        "history enter M --start 0001-01-01T00:00:00+14:00 --done yes --db h.db",
        ("from 1970 to 2200", "0001-01-01"),
    ),
    Bad("a backup that is none", lambda p: None, "history restore results --db h.db", ("history.db", "results")),
    Bad("a history of what is no recording", lambda p: None, "history add results --db n.db", ("recording folders",)),
    Bad(
        "a history by parameters of no name",
        write("params.toml", "[judge]\nnonsense = 1\n"),
        "history add r --db n.db --params params.toml",
        ("nonsense",),
    ),
    Bad("retest of one session twice", lambda p: None, "retest results results", ("each session once", "results")),
    Bad(
        "retest of a session and its copy",
        lambda p: shutil.copytree(p / "results", p / "again"),
        "retest results again",
        ("each session once", "again"),
    ),
    Bad("retest of no measure", lambda p: None, "retest results earlier --measure nonsense", ("nonsense",)),
    Bad(
        "validate with a lag of nan",
        lambda p: shutil.copy(p / "reference.csv", p / "r"),
        "validate r --lag nan --out o",
        ("--lag", "nan"),
    ),
    Bad(
        "validate within less than nothing",
        lambda p: shutil.copy(p / "reference.csv", p / "r"),
        "validate r --within -1 --out o",
        ("--within", "-1"),
    ),
    Bad(
        "import for a placement that is none",
        lambda p: None,
        "import bids --placement a=nose --out o",
        ("right_wrist", "nose"),
    ),
    Bad("a pipe for a recording to mark", pipe_instead(f"r/{WRIST}"), "mark r", ("right_wrist",)),
    Bad("marks that are no text", write("r/events.tsv", b"\xff\xfe\n"), "mark r", ("events.tsv",)),
    Bad("review of another program's tables", other_tables, "review --db h.db", ("h.db", "another program's")),
    Bad("a cohort at an address of no kind", lambda p: None, "cohort nosuch://x/y --out o", ("nosuch",)),
    Bad("a gz that is none to map", write("a.csv.gz", b"hello" * 99), "map a.csv.gz --out m.toml --yes", ("a.csv.gz",)),
]
