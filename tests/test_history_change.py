"""Better, no real change, worse: held against simulated seasons with known truth, and against other libraries."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pandas as pd
import pingouin
import pytest
from histories import fill
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from scipy.optimize import least_squares
from scipy.special import huber
from seasons import KINDS, practice, score, total
from statsmodels.api import OLS, add_constant
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm
from statsmodels.stats.multitest import multipletests

from imu_shoulder.cli import main
from imu_shoulder.history.change import JUDGED, Series, holm, robust_ends, statements, words
from imu_shoulder.history.invented import Level
from imu_shoulder.history.noise import OWN_FROM, Part, Scatter, learn, part_of
from imu_shoulder.history.schema import DRILL_SUMMARY
from imu_shoulder.history.standing import statements_of
from imu_shoulder.history.store import open_store
from imu_shoulder.history.values import values_of_store
from imu_shoulder.validate.retest import FORMS, retest

KNOWN = Scatter(0.25, 60.0)
DAYS = np.arange(10.0) * 2.0


def one(values, days=None, measure="hold_s", scatter=KNOWN):
    series = Series(measure, DAYS[: len(values)] if days is None else np.asarray(days), np.asarray(values, dtype=float))
    return statements([series], [scatter])[0]


def test_what_is_said_of_plain_cases():
    rising = one(4.0 + 0.3 * np.arange(10))
    assert (rising.state, rising.days, rising.own) == ("better", 10, False)
    assert (rising.first, rising.latest) == (pytest.approx(4.0), pytest.approx(6.7))
    assert one(6.7 - 0.3 * np.arange(10)).state == "worse"
    assert one(np.full(10, 5.0)).state == "no real change"
    assert one([5.0]).state == "too little to say"
    assert one(4.0 + 0.3 * np.arange(10), scatter=None).state == "too little to say"
    assert one(1.0 + 0.2 * np.arange(10), measure="hold_sd_deg", scatter=Scatter(0.01, 60.0)).state == "worse"


def test_a_change_within_the_minimal_detectable_change_is_none_however_sure_the_trend():
    mdc = KNOWN.mdc95
    assert mdc == pytest.approx(1.96 * np.sqrt(2) * 0.5)
    assert one(5.0 + 0.97 * mdc * np.arange(10) / 9).state == "no real change"
    assert one(5.0 + 1.5 * mdc * np.arange(10) / 9).state == "better"


def test_one_session_that_is_off_makes_no_trend():
    values = np.full(10, 5.0)
    values[-1] = 1.0
    assert one(values).state == "no real change"


def test_an_old_season_is_not_in_the_window():
    assert one([1, 2, 3, 9, 9], days=[0, 2, 4, 200, 202]).days == 2


def test_more_statements_at_a_time_take_more_to_be_made():
    alone = Series("hold_s", DAYS, 5.0 + 0.17 * np.arange(10))
    others = [Series("arc_deg", DAYS, np.full(10, 80.0))] * 60
    assert statements([alone], [KNOWN])[0].p < statements([alone, *others], [KNOWN] * 61)[0].p


@pytest.mark.parametrize("count", [1, 2, 7, 30])
def test_holm_is_that_of_statsmodels(count):
    p_values = list(np.random.default_rng(9008).random(count) ** 3)
    assert holm(p_values) == pytest.approx(multipletests(p_values, method="holm")[1])


def test_the_trends_interval_is_scipys():
    values = 5.0 + 0.05 * DAYS + np.random.default_rng(9000).normal(0, 0.3, 10)
    found, wanted = one(values), stats.theilslopes(values, DAYS)
    assert (found.slope_low, found.slope_high) == (
        pytest.approx(wanted.low_slope * 7),
        pytest.approx(wanted.high_slope * 7),
    )


@pytest.mark.parametrize("count", [2, 3, 5, 10])
@given(seed=st.integers(0, 2**32 - 1), off=st.floats(-20, 20))
def test_the_trend_is_that_of_scipys_huber_loss(count, seed, off):
    rng = np.random.default_rng(seed)
    days = np.cumsum(rng.choice([1.0, 2.0, 5.0], count))
    values = 5.0 + 0.1 * days + rng.normal(0, 0.5, count)
    values[rng.integers(count)] += off

    def residuals(line):
        return line[0] + line[1] * (days - days[0]) - values

    def cost(line):
        return huber(1.5 * 0.5, residuals(line)).sum()

    tight = {"xtol": 1e-12, "ftol": 1e-12, "gtol": 1e-12}
    best = least_squares(residuals, [5.0, 0.1], loss="huber", f_scale=1.5 * 0.5, **tight)
    first, latest = robust_ends(days, values, 0.5)
    assert cost([first, (latest - first) / (days[-1] - days[0])]) <= cost(best.x) * (1 + 1e-6) + 1e-9


def test_a_trend_of_values_that_do_not_scatter_is_their_line():
    assert robust_ends(DAYS, 3.0 + 2.0 * DAYS, 0.0) == pytest.approx((3.0, 39.0))
    assert robust_ends(DAYS, np.full(10, 4.0), 0.0) == pytest.approx((4.0, 4.0))


@pytest.mark.parametrize("name", list(JUDGED))
@given(value=st.floats(0.01, 0.99))
def test_scales_lead_there_and_back(name, value):
    own = JUDGED[name]
    assert own.off_scale(float(own.on_scale(np.array([value]))[0])) == pytest.approx(value)


def test_the_scatter_is_what_went_in_whatever_the_trend():
    """Mean over many series: with even and uneven days, flat and steep."""
    rng = np.random.default_rng(9001)
    for slope in (0.0, 5.0):
        days = np.cumsum(rng.choice([1.0, 2.0, 5.0], (2000, 12)), axis=1)
        parts = [part_of(row, slope * row + rng.normal(0, 2.0, 12)) for row in days]
        assert np.mean([part.variance for part in parts]) == pytest.approx(4.0, rel=0.04)
        # Their own scatter is that of a chi-square with the degrees of freedom that are stated.
        assert parts[0].freedom == 8
        assert 2 * 16 / np.var([part.variance for part in parts]) == pytest.approx(8, rel=0.1)


@pytest.mark.parametrize(("count", "freedom"), [(3, 1), (5, 3), (8, 6), (10, 6), (24, 16)])
def test_the_scatter_is_that_of_statsmodels_about_a_line_through_each_stretch(count, freedom):
    rng = np.random.default_rng(9009)
    days, values = np.cumsum(rng.choice([1.0, 2.0, 5.0], count)), rng.normal(0, 2.0, count)
    stretches = {3: [3], 5: [5], 8: [8], 10: [5, 5], 24: [6] * 4}[count]
    ends = np.cumsum([0, *stretches])
    fits = [OLS(values[a:b], add_constant(days[a:b])).fit() for a, b in pairwise(ends)]
    found = part_of(days, values)
    assert found.sum_squares == pytest.approx(sum(fit.ssr for fit in fits))
    assert found.freedom == freedom == sum(fit.df_resid for fit in fits)


def test_straight_lines_scatter_by_nothing_and_two_days_tell_nothing():
    assert part_of(DAYS, 3.0 * DAYS).variance == pytest.approx(0.0)
    assert part_of(DAYS[:2], DAYS[:2]).freedom == 0
    assert (part_of(DAYS, DAYS) + part_of(DAYS[:4], DAYS[:4])).sessions == 14


def made(rng, persons: int, sessions: int, spread: float):
    """Scatters of series of persons, of two kinds, whose factors are spread so (SD of the logarithm of the SD)."""
    parts = {}
    for who in range(persons):
        factor = np.exp(rng.normal(0, spread))
        for kind, sd in (("a", 1.0), ("b", 10.0)):
            days = np.arange(sessions, dtype=float)
            parts[who, kind] = [part_of(days, rng.normal(0, sd * factor, sessions)) for _ in range(5)]
    return parts


def test_persons_who_differ_are_told_from_persons_who_do_not():
    alike, differ = (learn(made(np.random.default_rng(9002), 40, 12, spread)) for spread in (0.0, 0.8))
    assert alike.person.freedom > 15
    assert differ.person.freedom < 6
    assert alike.usual["b"] / alike.usual["a"] == pytest.approx(100.0, rel=0.2)
    assert alike.usual["a"] == pytest.approx(1.0, rel=0.2)


def test_the_persons_own_scatter_counts_from_five_sessions_on():
    rng = np.random.default_rng(9003)
    parts = made(rng, 20, 12, 0.3)
    wild = [part_of(np.arange(12.0), rng.normal(0, 5.0, 12))]
    parts[99, "a"] = wild * 5
    known = learn(parts)
    few = Part(wild[0].sum_squares, wild[0].freedom, OWN_FROM - 1)
    assert not known.scatter(99, "a", few).own
    assert known.scatter(99, "a", few).freedom < known.scatter(99, "a", wild[0]).freedom
    assert known.scatter(1000, "a", few).variance < 4.0  # of whom nothing else is known
    assert known.scatter(99, "a", wild[0]).own
    assert known.scatter(99, "a", wild[0]).variance > 10.0


def test_too_few_series_say_nothing():
    assert learn({}).scatter(1, "a", Part(0, 0, 9)) is None
    assert learn({(1, "a"): [part_of(DAYS, np.sin(DAYS))]}).scatter(1, "a", Part(0, 0, 9)) is None


def test_on_simulated_seasons_statements_are_true():
    """Seeds from 9200, few of them; the table with others: docs/history.md."""
    found = total([score(practice(9200 + k, athletes=10, sessions=16)) for k in range(8)])
    athletes = sum(own.sessions for own in found.values())
    assert sum(own.wrong for own in found.values()) <= 0.01 * athletes
    assert sum(own.false for own in found.values()) <= 0.08 * athletes
    assert sum(own.found for own in found.values()) >= 0.85 * sum(own.changed for own in found.values())
    assert set(found) == set(KINDS)


def test_the_score_sees_statements_that_are_false(monkeypatch):
    monkeypatch.setattr("seasons.learn", lambda parts: Wrong())
    found = total([score(practice(9200, athletes=5, sessions=12))])
    assert found["plateau"].false + found["noisy"].false == 2


class Wrong:
    """Takes sessions for much surer than they are."""

    def scatter(self, who, kind, own):
        return Scatter(1e-6, 60.0)


def test_a_change_across_versions_is_none_of_the_athletes(tmp_path):
    with open_store(tmp_path / "h.db") as store:
        for name in ("M.K.", "T.S.", "L.V.", "A.B."):
            fill(store, name, sessions=7)
        athlete = fill(store, "C.D.", sessions=6, level=Level(held_s=3.0))
        with store.write() as connection:
            old = DRILL_SUMMARY.c.athlete_id == athlete
            connection.execute(DRILL_SUMMARY.update().where(old).values(made_by="0.0.1 older"))
        fill(store, "C.D.", sessions=7, level=Level(held_s=9.0))
        said = {one["measure"]: one for one in statements_of(store, athlete)}
        assert said["hold_s"]["state"] in ("no real change", "too little to say")
        assert said["hold_s"]["first"] > 8.0


def test_words_name_load_and_reason():
    said = one(4.0 + 0.3 * np.arange(10))
    text = words(said, "Full can raise", "right", [1.0, 1.5])
    assert text.startswith("Full can raise, right arm, time held: better, 4 s to 6.7 s over 10 days")
    assert text.endswith("; the load went from 1 to 1.5 kg.")
    share = one(np.linspace(0.5, 0.9, 10), measure="clean_share", scatter=Scatter(0.001, 60.0))
    assert "49 % to 89 %" in words(share, "x", "left")


def ratings(seed: int, persons: int = 12, days: int = 4) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return 80 + rng.normal(0, 5, (persons, 1)) + rng.normal(0, 1, (1, days)) + rng.normal(0, 2, (persons, days))


def values(table: np.ndarray) -> pd.DataFrame:
    return pd.DataFrame(
        [
            (f"P{who:02d}", f"2026-03-{day + 1:02d}", "full_can", "", "right", "lift", "arc_deg", value)
            for who, row in enumerate(table)
            for day, value in enumerate(row)
        ],
        columns=["person", "day", "drill", "direction", "side", "role", "measure", "value"],
    )


@pytest.mark.parametrize("seed", [9004, 9005])
def test_all_forms_are_pingouins_and_the_error_is_statsmodels(seed):
    table = ratings(seed)
    (row,) = retest(values(table)).to_dict("records")
    wanted = pingouin.intraclass_corr(values(table), targets="person", raters="day", ratings="value")
    for form, own in zip(FORMS, wanted.to_dict("records"), strict=True):
        name = f"icc_{form.replace(',', '_')}"
        assert row[name] == pytest.approx(own["ICC"], abs=1e-6)
        low, high = own["CI95"]
        assert (row[f"{name}_low"], row[f"{name}_high"]) == (
            pytest.approx(low, abs=6e-3),
            pytest.approx(high, abs=6e-3),
        )
    anova = anova_lm(ols("value ~ C(person) + C(day)", values(table)).fit())
    sem = float(np.sqrt(anova.loc["Residual", "mean_sq"]))
    assert row["sem_consistency"] == pytest.approx(sem)
    assert row["mdc95"] == pytest.approx(1.959964 * np.sqrt(2) * sem, rel=1e-6)
    assert (row["persons"], row["days"], row["why"]) == (12, 4, "")


def test_persons_with_fewer_days_are_left_out_where_more_is_gained():
    table = values(ratings(9006))
    short = table[~((table["person"] == "P00") & (table["day"] > "2026-03-02"))]
    (row,) = retest(short).to_dict("records")
    assert (row["persons"], row["days"]) == (11, 4)


def test_what_cannot_be_had_says_why():
    (row,) = retest(values(ratings(9007, persons=2))).to_dict("records")
    assert "3 pairs" in row["why"]
    (row,) = retest(values(ratings(9007, days=1))).to_dict("records")
    assert "nobody has them" in row["why"]


def test_the_command_takes_every_measure_from_results_and_from_the_history(tmp_path, clean_outputs, capsys):
    with open_store(tmp_path / "h.db") as store:
        for name in ("M.K.", "T.S.", "L.V.", "A.B."):
            fill(store, name, sessions=3)
        found, left_out = values_of_store(store)
    assert left_out == 0
    assert {"hold_sd_deg", "arc_deg", "lower_s"} <= set(found["measure"])
    out = tmp_path / "all.csv"
    for args in (("--history", "--db", tmp_path / "h.db"), (clean_outputs,)):
        with pytest.raises(SystemExit) as ended:
            main(["retest", *map(str, args), "--out", str(out), "--measure", "arc_deg"])
        assert ended.value.code == 0
        assert "arc_deg" in capsys.readouterr().out
    table = pd.read_csv(out)
    reps = pd.read_csv(clean_outputs / "reps.csv")
    measured = {name for name in reps if name.endswith(("_deg", "_deg_s", "_pct")) and reps[name].notna().any()}
    assert measured <= set(table["measure"]) | {"elevation_owed_deg"}
