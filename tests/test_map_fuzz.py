"""Foreign files changed at random: `map` ends with a draft that reads, a question or a sentence, never otherwise."""

from __future__ import annotations

import contextlib
from pathlib import Path

import pytest
from foreign_layouts import LAYOUTS
from hypothesis import given
from hypothesis import strategies as st
from test_bad_input_fuzz import changes, spoiled

from imu_shoulder.checked import Checked
from imu_shoulder.draft.questions import Answers, sentence
from imu_shoulder.draft.text import summary_of, toml_of
from imu_shoulder.draft.whole import draft, look_at
from imu_shoulder.errors import ColumnMapError, ShoulderError
from imu_shoulder.sources.column_map import recording_of

ROWS = 200
# One of each kind: rows of any length, counts, stamps in a compressed file, no header, comments, clock times.
NAMES = ("event_rows", "scaled_counts", "iso_board", "no_header", "comment_and_count", "clock_time")
PLAIN = [one for one in LAYOUTS if one.name in NAMES]
ANSWERS = Answers({"1": "right_wrist"}, "right", 50.0, "ms", "g", "deg/s")


def drafted(folder: Path, answers: Answers) -> object:
    looked, _ = look_at([folder], folder)
    found = draft(looked, answers, folder)
    if found.questions:
        raise sentence(found.questions)
    summary_of(found)
    return recording_of(Checked.parse(toml_of(found, "A"), "map.toml", ColumnMapError), "map.toml", folder, "map", {})


def shortened(data: bytes) -> bytes:
    """A compressed file stays as it is: it is spoiled as such."""
    packed = data[:2] in (b"\x1f\x8b", b"BZ", b"\xfd7")
    return data if packed else b"".join(data.splitlines(keepends=True)[:ROWS])


@pytest.mark.parametrize("layout", PLAIN, ids=lambda layout: layout.name)
def test_a_spoiled_file_ends_with_a_draft_a_question_or_a_sentence(layout, tmp_path):
    paths = [path for path in layout.write(tmp_path) if path.is_file()]
    good = {path: shortened(path.read_bytes()) for path in paths}
    for path, data in good.items():
        path.write_bytes(data)

    @changes(8)
    @given(st.data())
    def tried(draw: st.DataObject) -> None:
        path = draw.draw(st.sampled_from(paths))
        path.write_bytes(spoiled(draw, good[path]))
        said = ""
        try:
            drafted(tmp_path, draw.draw(st.sampled_from([Answers(), ANSWERS])))
        except ShoulderError as error:
            said = str(error)
        finally:
            path.write_bytes(good[path])
        assert len(said) < 2000
        assert "\n" not in said

    tried()


@changes(40)
@given(st.binary(max_size=3000))
def test_any_bytes_end_with_a_sentence(tmp_path_factory, data):
    folder = tmp_path_factory.mktemp("any")
    (folder / "a.csv").write_bytes(data)
    with pytest.raises(ShoulderError):
        drafted(folder, ANSWERS)


CELLS = st.sampled_from(
    ["0", "1", "-1.5", "9.81", "nan", "", "x", '"', "1e308", "inf", "12:00:01", "2025-03-04T09:30:00", "a b", "1,5"]
)


@changes(40)
@given(
    st.sampled_from([",", ";", "\t", " ", "|"]),
    st.lists(
        st.sampled_from(["t", "time", "ax", "ay", "az", "gx", "gy", "gz", "id", "", "é", "x", "y", "z"]), max_size=9
    ),
    st.lists(st.lists(CELLS, min_size=1, max_size=9), min_size=1, max_size=4),
    st.integers(1, 60),
)
def test_any_table_ends_with_a_draft_or_a_sentence(tmp_path_factory, mark, header, rows, times):
    folder = tmp_path_factory.mktemp("any")
    lines = [mark.join(header), *(mark.join(row) for row in rows * times)]
    (folder / "a.csv").write_text("\n".join(lines))
    with contextlib.suppress(ShoulderError):
        drafted(folder, ANSWERS)
