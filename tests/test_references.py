"""Every work that is cited stands in docs/references.bib, and what is said of it is what it measured."""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
IGNORED = {".venv", ".git", ".pytest_cache", ".hypothesis", "build"}
PAGES = [path for path in ROOT.rglob("*.md") if not IGNORED & set(path.relative_to(ROOT).parts)]
# Docstrings and comments name sources too, and data files carry them.
CODE = [*(ROOT / "imu_shoulder").rglob("*.py"), *(ROOT / "tests").glob("*.py")]
DATA = [*(ROOT / "imu_shoulder").rglob("*.toml")]
RANGE_TESTS = sorted((ROOT / "imu_shoulder" / "range" / "tests").glob("*.toml"))
FILES = sorted({*PAGES, *CODE, *DATA} - {Path(__file__)})

NAME = r"(?:(?:van|de|von) )?\b[A-Z](?=[\w'’-]*[a-z])[\w'’-]+"
# Wu et al. 2005; Bland & Altman 1986; Laidig, Caruso, Seel 2021; Kolber 2011.
AUTHORS_YEAR = re.compile(rf"({NAME}(?:(?:,? and |,? & |, ){NAME})*)(?: et al\.)?,? \(?((?:19|20)\d\d)\b(?!-)")
MARKS = {
    "doi": re.compile(r"\bdoi\s+(10\.\d{4,}/[^\s,;)|\]\"]+)", re.IGNORECASE),
    "pmcid": re.compile(r"\b(PMC\d+)\b"),
    "pmid": re.compile(r"\bPubMed (\d+)\b"),
    "number": re.compile(r"\b(?:NIST SP|Special Publication|IEEE\s+Std) (\d+)"),
    "key": re.compile(r"\[@([a-z]\w+)\]"),
}
MONTHS = re.compile(r"^(?:January|February|March|April|May|June|July|August|September|October|November|December)$")


@dataclass(frozen=True)
class Work:
    key: str
    fields: dict[str, str]

    def is_by(self, names: list[str], year: str) -> bool:
        """The first name is its first author, or alone its journal; the others are authors or its journal."""
        authors, journal = self.fields.get("author", ""), self.fields.get("journal", "")
        led = names[0] in authors.split(" and ")[0] or (len(names) == 1 and names[0] in journal)
        return self.fields.get("year") == year and led and all(name in authors or name in journal for name in names[1:])

    def has(self, mark: str, value: str) -> bool:
        if mark == "key":
            return self.key == value
        found = self.fields.get(mark, "")
        if mark == "number":
            return "institution" in self.fields and value in re.findall(r"\d+", found)
        return found == value


def plain(text: str) -> str:
    return text.replace("{", "").replace("}", "")


def bibliography(text: str) -> list[Work]:
    works = []
    for key, body in re.findall(r"^@\w+\{(\w+),\n(.*?)^\}", text, flags=re.MULTILINE | re.DOTALL):
        pairs = re.findall(r"(\w+) = \{((?:[^{}]|\{[^{}]*\})*)\}", body)
        works.append(Work(key, {name: plain(value) for name, value in pairs}))
    return works


WORKS = bibliography((ROOT / "docs" / "references.bib").read_text(encoding="utf-8"))


def flowing(text: str) -> str:
    """Text whose line breaks, comment signs and joined strings do not cut a citation in two."""
    text = re.sub(r"\"\s*\n\s*f?\"", "", text)
    return re.sub(r"\s*\n\s*(?:#+ )?", " ", text)


def uncited(text: str, works: list[Work]) -> list[str]:
    """What a text cites that is none of the works."""
    text = flowing(text)
    missing = []
    for names, year in AUTHORS_YEAR.findall(text):
        parts = re.split(r",? and |,? & |, ", names)
        if not MONTHS.match(parts[-1]) and not any(work.is_by(parts, year) for work in works):
            missing.append(f"{names} {year}")
    for mark, pattern in MARKS.items():
        for value in pattern.findall(text):
            value = value.rstrip(".:")
            if not any(work.has(mark, value) for work in works):
                missing.append(f"{mark} {value}")
    return missing


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(ROOT)))
def test_every_work_that_is_cited_is_in_the_bibliography(path):
    assert uncited(path.read_text(encoding="utf-8"), WORKS) == []


def test_the_search_sees_a_work_that_is_missing():
    """So that the test above can fail: each way in which works are cited, once known and once not."""
    known = """Wu et al. 2005, doi 10.1016/j.jbiomech.2004.05.042; (Bland & Altman 1986); Laidig, Caruso, Seel 2021; de
    # Winter 2004; PubMed 20690872; PMC3327809; NIST SP 1065; [@wu2005]; Int J Morphol 2018 36:135-139; 4 March 2025"""
    assert uncited(known, WORKS) == []
    unknown = """Wu et al. 2006; Bland & Smith 1986; Seel, Laidig 2021; van
    # Winter 2004; doi 10.1000/none. PubMed 1; PMC1; NIST SP 9; [@nobody]; Nobody (1999)"""
    assert uncited(unknown, WORKS) == [
        *("Wu 2006", "Bland & Smith 1986", "Seel, Laidig 2021", "van Winter 2004", "Nobody 1999"),
        *("doi 10.1000/none", "pmcid PMC1", "pmid 1", "number 9", "key nobody"),
    ]


def test_every_entry_can_be_found_by_a_reader():
    assert len({work.key for work in WORKS}) == len(WORKS) > 30
    for work in WORKS:
        assert {"title", "year"} <= set(work.fields), work.key
        assert {"author", "institution", "journal"} & set(work.fields), work.key


@pytest.mark.parametrize(
    "path", sorted((ROOT / "imu_shoulder" / "range" / "tests").glob("*.toml")), ids=lambda p: p.stem
)
def test_range_tests_name_the_instrument_that_was_read(path):
    """Kolber 2011 is titled "... using a digital inclinometer", and its abstract names no other instrument."""
    source = tomllib.loads(path.read_text(encoding="utf-8")).get("difference", {}).get("source")
    assert source is None or ("Kolber 2011" in source and source.endswith("digital inclinometer"))


def test_the_protocol_says_what_was_measured():
    """Kolber 2011: digital inclinometry. de Winter 2004: passive motion of patients (both abstracts)."""
    page = " ".join((ROOT / "docs" / "protocol.md").read_text(encoding="utf-8").split())
    kolber = next(sentence for sentence in page.split(". ") if "Kolber 2011" in sentence)
    assert "digital inclinometer" in kolber
    assert "goniometer" not in kolber
    winter = next(sentence for sentence in page.split(". ") if "de Winter 2004" in sentence)
    assert "passive motion of 155 patients" in winter


def test_sources_of_the_range_tests_and_the_measures_are_cited_works():
    """As the program itself gives them, not as the files spell them."""
    from imu_shoulder.measure.catalogue import all_measures
    from imu_shoulder.range import shipped_tests

    sources = [measure.source for measure in all_measures()]
    for test in shipped_tests().values():
        sources += [row.source for row in test.published]
    assert len(sources) > 40
    assert uncited("\n".join(sources), WORKS) == []


def test_the_forearms_zero_is_not_called_the_isbs():
    """Wu et al. 2005 count pronation from full supination; ours is 0 with the thumb forward."""
    from imu_shoulder.exchange.dictionary import ANGLES

    pages = [(ROOT / "docs" / name).read_text(encoding="utf-8") for name in ("coordinates.md", "outputs.md")]
    for text in (*pages, ANGLES["forearm_deg"]):
        assert "the ISB counts from full supination" in text or "recommendation counts pronation from full" in text


CLAIM = re.compile(
    r"\b(?:review|approv|endors|certif|vett|validat|recommend)\w*\s+by\s+(?:an?|our|the|several|two)?\s*(?:\w+\s+)?"
    r"(?:practitioner|physio\w*|clinician|doctor|physician|surgeon|therapist|coach)",
    re.IGNORECASE,
)


def test_no_page_says_that_a_practitioner_looked_at_it():
    assert CLAIM.search("These doses were reviewed by a licensed practitioner.")
    assert CLAIM.search("approved by physiotherapists")
    files = [*FILES, *(ROOT / "imu_shoulder").rglob("*.j2"), *(ROOT / "imu_shoulder").rglob("*.html")]
    said = {path.name: found[0] for path in files if (found := CLAIM.search(flowing(path.read_text(encoding="utf-8"))))}
    assert said == {}
