"""Agreement statistics against published worked examples, other libraries and a simulated study."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import stats
from statsmodels.formula.api import mixedlm, ols

from imu_shoulder.errors import ParameterError
from imu_shoulder.validate.agreement import (
    NORMAL_95,
    Interval,
    limits_of_agreement,
    proportional_bias,
    rmse_parts,
    verdict_within,
)
from imu_shoulder.validate.reliability import (
    cmc,
    icc_agreement_repeated,
    icc_forms,
    mean_squares,
    measurement_error,
)
from imu_shoulder.validate.sample_size import persons_for_limit_width, persons_for_verdict

# Bland & Altman 1986 (Lancet 327:307-310), peak expiratory flow of 17 subjects, L/min.
LARGE = np.array([494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427.0])
LARGE_AGAIN = np.array([490, 397, 512, 401, 470, 611, 415, 431, 638, 429, 420, 633, 275, 492, 165, 372, 421.0])
SMALL = np.array([512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451.0])
# Shrout & Fleiss 1979 (Psychol Bull 86:420-428), 6 targets x 4 judges.
JUDGES = np.array([[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7.0]])


def by_pingouin(ratings):
    """Form -> value, low, high of pingouin.intraclass_corr, without its rounding of the bounds."""
    import pingouin

    targets, raters = ratings.shape
    long = pd.DataFrame(
        {"t": np.repeat(range(targets), raters), "r": np.tile(range(raters), targets), "rating": ratings.ravel()}
    )
    rounding = pingouin.options["round.column.CI95"]
    pingouin.options["round.column.CI95"] = None
    try:
        table = pingouin.intraclass_corr(long, "t", "r", "rating").set_index("Type")
    finally:
        pingouin.options["round.column.CI95"] = rounding
    # Its names are those of McGraw & Wong 1996: A for absolute agreement, C for consistency.
    kinds = {"1": "1", "2": "A", "3": "C"}
    names = {f"{number},{of}": f"ICC({kind},{of})" for number, kind in kinds.items() for of in "1k"}
    return {form: (table.at[name, "ICC"], *table.at[name, "CI95"]) for form, name in names.items()}


class TestBlandAltman1986:
    def test_printed_values(self):
        found = limits_of_agreement(LARGE - SMALL, range(17), multiplier=2.0)
        assert found.form == "1986"
        assert round(found.bias.value, 1) == -2.1
        assert round(found.sd, 1) == 38.8
        # Printed -79.7 and 75.5 (from memory): the paper went on from the rounded -2.1 and 38.8.
        assert round(-2.1 - 2 * 38.8, 1) == -79.7
        assert round(-2.1 + 2 * 38.8, 1) == 75.5
        assert found.lower.value == pytest.approx(-79.648, abs=5e-4)
        assert found.upper.value == pytest.approx(75.413, abs=5e-4)

    def test_exact_values(self):
        found = limits_of_agreement(LARGE - SMALL, range(17), multiplier=1.96)
        # Computed from the published readings: sum of d is -36, sum of d^2 is 24120.
        assert found.bias.value == pytest.approx(-36 / 17, abs=1e-9)
        assert found.sd == pytest.approx(((24120 - 36**2 / 17) / 16) ** 0.5, abs=1e-9)
        assert found.sd == pytest.approx(38.76512987, abs=1e-6)
        assert found.bias.value == pytest.approx(-2.11764706, abs=1e-6)
        assert found.lower.value == pytest.approx(-78.0973, abs=5e-5)
        assert found.upper.value == pytest.approx(73.8620, abs=5e-5)
        assert (found.bias.low, found.bias.high) == pytest.approx((-22.049, 17.814), abs=5e-4)
        # SE of a limit sqrt(3 s^2/n) = 16.285, times Student's t with 16 degrees of freedom (table: 2.1199).
        assert found.upper.high - found.upper.value == pytest.approx(2.1199 * 16.285, abs=2e-3)

    def test_repeatability_from_the_parts(self):
        # Repeatability coefficient 2 sqrt(sum d^2 / n): 43.29 for the large meter.
        assert 2 * rmse_parts(LARGE - LARGE_AGAIN).rmse == pytest.approx(43.29, abs=5e-3)


class TestRepeatedLimits:
    def unbalanced(self):
        rng = np.random.default_rng(4)
        person = np.repeat(np.arange(12), rng.integers(1, 7, 12))
        return rng.normal(2, 1, 12)[person] * 2 + rng.normal(0, 1.5, len(person)), person

    def test_variance_parts_against_statsmodels_anova(self):
        difference, person = self.unbalanced()
        table = sm.stats.anova_lm(ols("d ~ C(p)", pd.DataFrame({"d": difference, "p": person})).fit())
        between, within = table["mean_sq"]
        counts = np.bincount(person)
        # Bland & Altman 2007: divisor ((sum m)^2 - sum m^2) / ((n - 1) sum m).
        divisor = (counts.sum() ** 2 - (counts**2).sum()) / (11 * counts.sum())
        found = limits_of_agreement(difference, person)
        assert found.form == "2007"
        assert found.within_sd**2 == pytest.approx(within, rel=1e-9)
        assert found.between_sd**2 == pytest.approx((between - within) / divisor, rel=1e-9)
        half = NORMAL_95 * np.sqrt(within + (between - within) / divisor)
        assert found.upper.value == pytest.approx(difference.mean() + half, rel=1e-9)

    def test_balanced_equals_statsmodels_mixed_model(self):
        rng = np.random.default_rng(11)
        person = np.repeat(np.arange(20), 4)
        difference = rng.normal(0, 3, 20)[person] + rng.normal(1, 2, 80)
        fit = mixedlm("d ~ 1", pd.DataFrame({"d": difference, "p": person}), groups=person).fit(reml=True)
        found = limits_of_agreement(difference, person)
        assert found.between_sd**2 == pytest.approx(float(fit.cov_re.iloc[0, 0]), rel=1e-4)
        assert found.within_sd**2 == pytest.approx(fit.scale, rel=1e-4)
        assert (found.bias.high - found.bias.low) / 2 == pytest.approx(2.093024 * fit.bse.iloc[0], rel=1e-4)

    def test_pooling_would_be_narrower(self):
        difference, person = self.unbalanced()
        repeated = limits_of_agreement(difference, person)
        pooled = limits_of_agreement(difference, range(len(difference)))
        assert repeated.upper.high - repeated.upper.low > 1.3 * (pooled.upper.high - pooled.upper.low)


class TestIcc:
    # Point values and CIs computed from the published ratings; two printed digits from memory.
    @pytest.mark.parametrize(
        ("form", "value", "low", "high", "printed"),
        [
            ("1,1", 0.16574, -0.133, 0.723, 0.17),
            ("2,1", 0.28976, 0.019, 0.761, 0.29),
            ("3,1", 0.71484, 0.342, 0.946, 0.71),
            ("1,k", 0.44280, -0.884, 0.912, 0.44),
            ("2,k", 0.62005, 0.071, 0.927, 0.62),
            ("3,k", 0.90932, 0.676, 0.986, 0.91),
        ],
    )
    def test_shrout_fleiss_1979(self, form, value, low, high, printed):
        found = icc_forms(JUDGES)[form]
        assert round(found.value, 2) == printed
        assert found.value == pytest.approx(value, abs=5.1e-6)
        assert (found.low, found.high) == pytest.approx((low, high), abs=5.1e-4)

    @pytest.mark.parametrize("seed", range(12))
    def test_every_form_and_interval_is_pingouins(self, seed):
        rng = np.random.default_rng(seed)
        targets, raters = int(rng.integers(3, 40)), int(rng.integers(2, 6))
        between, error = rng.uniform(0, 20), rng.uniform(0.1, 5)
        ratings = rng.normal(90, between, (targets, 1)) + rng.normal(0, 3, raters)
        ratings += rng.normal(0, error, (targets, raters))
        expected = by_pingouin(ratings)
        found = icc_forms(ratings)
        assert found.keys() == expected.keys()
        for form, interval in found.items():
            assert (interval.value, interval.low, interval.high) == pytest.approx(expected[form], rel=1e-9, abs=1e-9)

    def test_raters_who_differ_by_a_constant_alone_are_consistent_without_doubt(self):
        found = icc_forms(np.arange(5.0)[:, None] + [0.0, 2.0])
        assert found["3,1"] == found["3,k"] == Interval(1.0, 1.0, 1.0)
        # Targets have the variance 2.5; the offset of 2 is a variance of 2 between two raters.
        assert found["2,1"].value == pytest.approx(2.5 / (2.5 + 2.0))
        assert 0 < found["2,1"].low < found["2,1"].value < found["2,1"].high < 1

    def test_targets_with_one_mean_leave_no_form_for_the_mean_of_raters(self):
        found = icc_forms(np.array([[1.0, 3.0], [2.0, 2.0], [3.0, 1.0]]))
        assert (found["1,1"].value, found["1,k"].value) == (-1.0, float("-inf"))

    def test_exact_forms_from_the_mean_squares(self):
        ms = mean_squares(JUDGES)
        assert (ms.targets, ms.raters, ms.error) == pytest.approx((11.2417, 32.4861, 1.0194), abs=5e-5)
        exact = (ms.targets - ms.error) / (ms.targets + 3 * ms.error + 4 * (ms.raters - ms.error) / 6)
        assert icc_forms(JUDGES)["2,1"].value == pytest.approx(exact, abs=1e-9)
        assert icc_agreement_repeated(JUDGES, range(6)).value == pytest.approx(exact, abs=1e-9)

    def test_mean_squares_against_statsmodels(self):
        long = pd.DataFrame({"s": JUDGES.ravel(), "t": np.repeat(range(6), 4), "r": np.tile(range(4), 6)})
        table = sm.stats.anova_lm(ols("s ~ C(t) + C(r)", long).fit())
        ms = mean_squares(JUDGES)
        assert [ms.targets, ms.raters, ms.error] == pytest.approx(table["mean_sq"].tolist(), rel=1e-9)

    def test_sem_and_mdc(self):
        found = measurement_error(JUDGES)
        assert found.sem_consistency == pytest.approx(1.0194**0.5, abs=5e-5)
        assert found.sem_agreement == pytest.approx(JUDGES.std(ddof=1) * (1 - 0.28976) ** 0.5, abs=5e-5)
        assert found.mdc95 == pytest.approx(1.96 * 2**0.5 * found.sem_consistency, rel=1e-4)
        assert found.mdc90 == pytest.approx(1.645 * 2**0.5 * found.sem_consistency, rel=1e-3)


class TestCmc:
    def test_offset_sines_by_hand(self):
        # Two sines of amplitude A, offset by 2c: within = 2 c^2 F / F, total = (A^2/2 + c^2) 2F / (2F - 1).
        frames, amplitude, offset = 1000, 30.0, 4.0
        wave = amplitude * np.sin(2 * np.pi * np.arange(frames) / frames)
        expected = 1 - 2 * offset**2 / ((amplitude**2 / 2 + offset**2) * 2 * frames / (2 * frames - 1))
        assert cmc(np.stack([wave + offset, wave - offset])) == pytest.approx(expected**0.5, rel=1e-12)

    def test_undefined_where_waveforms_disagree(self):
        wave = np.sin(np.linspace(0, 6, 100))
        assert cmc(np.stack([wave, -wave])) is None
        assert cmc(np.ones((2, 50))) is None


class TestProportionalBias:
    def test_known_slope_against_closed_form(self):
        rng = np.random.default_rng(1)
        second = rng.uniform(20, 160, 60)
        first = 1.1 * second + rng.normal(0, 1, 60)
        found = proportional_bias(first, second, range(60))
        mean, difference = (first + second) / 2, first - second
        assert found.slope.value == pytest.approx(np.polyfit(mean, difference, 1)[0], rel=1e-9)
        assert found.slope.low < 0.1 / 1.05 < found.slope.high
        assert found.p < 1e-6

    def test_repeated_pairs_cluster_by_person(self):
        rng = np.random.default_rng(2)
        person = np.repeat(np.arange(10), 30)
        second = rng.uniform(20, 160, 10)[person]
        first = second + rng.normal(0, 4, 10)[person] + rng.normal(0, 0.2, 300)
        clustered, pooled = (proportional_bias(first, second, p).slope for p in (person, range(300)))
        assert clustered.high - clustered.low > 2 * (pooled.high - pooled.low)


def test_rmse_splits_exactly():
    difference = np.random.default_rng(3).normal(2, 5, 40)
    parts = rmse_parts(difference)
    assert parts.rmse**2 == pytest.approx(parts.bias**2 + parts.sd**2, rel=1e-12)


def test_verdict_is_yes_no_or_too_few():
    rng = np.random.default_rng(5)
    good, few, bad = (
        limits_of_agreement(rng.normal(0, sd, n), range(n)) for sd, n in ((1.5, 80), (2.2, 12), (5.0, 80))
    )
    assert [verdict_within(limits, 5.0) for limits in (good, few, bad)] == ["yes", "too few", "no"]


class TestSampleSize:
    def test_width_by_bland_and_altmans_rule(self):
        # Their rule of thumb (Bland's notes on sample size): n = 100 gives a limit to about +-0.34 s.
        assert persons_for_limit_width(1.0, 0.344).persons in (99, 100, 101)
        planned = persons_for_limit_width(5.0, 2.0)
        differences = np.full(planned.persons, 0.0)
        differences[::2], differences[1::2] = 5.0, -5.0
        found = limits_of_agreement(differences / differences.std(ddof=1) * 5.0, range(planned.persons))
        assert found.upper.high - found.upper.value == pytest.approx(planned.reached, rel=1e-6)
        assert planned.reached <= 2.0

    def test_power_is_reached_in_simulation(self):
        planned = persons_for_verdict(0.8, 1.5, 5.0, 0.8)
        rng = np.random.default_rng(6)
        said_yes = [
            verdict_within(limits_of_agreement(rng.normal(0.8, 1.5, planned.persons), range(planned.persons)), 5.0)
            == "yes"
            for _ in range(2000)
        ]
        assert np.mean(said_yes) == pytest.approx(planned.reached, abs=0.03)

    def test_no_number_is_enough(self):
        with pytest.raises(ParameterError, match="no number of persons"):
            persons_for_verdict(3.0, 2.0, 5.0)


class TestBadInput:
    @pytest.mark.parametrize(
        ("ratings", "words"),
        [
            (np.array([[1.0, 2.0], [3.0, 4.0]]), "there are 2"),
            (np.array([[1.0], [2.0], [3.0]]), "there is one"),
            (np.array([[1.0, 5.0], [2.0, 5.0], [3.0, 5.0]]), "always reads the same"),
            (np.array([[1.0, 1.0], [2.0, 2.0], [3.0, 3.0]]), "same number every time"),
            (np.array([[1.0, np.nan], [2.0, 2.0], [3.0, 3.0]]), "missing"),
        ],
    )
    def test_icc_says_why_not(self, ratings, words):
        with pytest.raises(ParameterError, match=words):
            icc_forms(ratings)

    def test_limits_say_why_not(self):
        with pytest.raises(ParameterError, match="there are 2"):
            limits_of_agreement(np.array([1.0, 2.0]), "ab")
        with pytest.raises(ParameterError, match="one person"):
            limits_of_agreement(np.array([1.0, 2.0, 3.0]), "aaa")
        with pytest.raises(ParameterError, match="same mean"):
            proportional_bias(np.array([1.0, 2, 3]), np.array([3.0, 2, 1]), "abc")


# A study of 30 persons x 3 positions x 2 raters: bias 3 deg, SD of a difference over persons 2, over positions 1.5,
# of a rater's reading 2.5 deg, angles 40, 90 and 140 deg with an SD of 15 between persons.
BIAS, SD_PERSON, SD_POSITION, SD_RATER, SD_ANGLE = 3.0, 2.0, 1.5, 2.5, 15.0
POSITIONS = np.array([40.0, 90.0, 140.0])
REPEATS = 500


def _study(seed):
    """Our angle (30, 3) and the raters' readings (30, 3, 2)."""
    rng = np.random.default_rng(seed)
    true = POSITIONS + rng.normal(0, SD_ANGLE, (30, 3))
    ours = true + BIAS + rng.normal(0, SD_PERSON, (30, 1)) + rng.normal(0, SD_POSITION, (30, 3))
    return ours, true[:, :, None] + rng.normal(0, SD_RATER, (30, 3, 2))


def test_intervals_cover_the_truth_in_a_simulated_study():
    sd = np.sqrt(SD_PERSON**2 + SD_POSITION**2 + SD_RATER**2)
    error = sd**2 / 2
    targets = POSITIONS.var() + SD_ANGLE**2
    truths = {
        "bias": BIAS,
        "lower": BIAS - NORMAL_95 * sd,
        "upper": BIAS + NORMAL_95 * sd,
        # Two fixed methods: the variance between them is half the squared bias.
        "icc": targets / (targets + error + BIAS**2 / 2),
    }
    hits = dict.fromkeys([*truths, "bias_1986", "lower_1986", "upper_1986"], 0)
    person = np.repeat(np.arange(30), 6)
    for seed in range(REPEATS):
        ours, read = _study(seed)
        pairs = np.stack([np.repeat(ours.ravel(), 2), read.ravel()], axis=1)
        limits = limits_of_agreement(pairs[:, 0] - pairs[:, 1], person)
        icc = icc_agreement_repeated(pairs, person)
        single = limits_of_agreement(ours[:, 1] - read[:, 1, 0], range(30))
        intervals = {"bias": limits.bias, "lower": limits.lower, "upper": limits.upper, "icc": icc}
        for name, interval in intervals.items():
            hits[name] += interval.low <= truths[name] <= interval.high
        for name in ("bias", "lower", "upper"):
            interval = getattr(single, name)
            hits[f"{name}_1986"] += interval.low <= truths[name] <= interval.high
    covered = {name: count / REPEATS for name, count in hits.items()}
    assert all(0.93 <= share <= 0.97 for share in covered.values()), covered


def test_icc_between_random_raters_covers_the_truth():
    """The ICC(2,1) interval between two raters drawn anew in each study, 30 persons at one position."""
    truth = SD_ANGLE**2 / (SD_ANGLE**2 + 1.0**2 + SD_RATER**2)
    hits = 0
    for seed in range(REPEATS):
        rng = np.random.default_rng(seed)
        ratings = rng.normal(90, SD_ANGLE, (30, 1)) + rng.normal(0, 1.0, 2) + rng.normal(0, SD_RATER, (30, 2))
        interval = icc_forms(ratings)["2,1"]
        hits += interval.low <= truth <= interval.high
    assert 0.93 <= hits / REPEATS <= 0.97


def test_the_power_of_a_verdict_is_that_of_drawn_studies():
    """100000 studies, drawn and judged by the textbook (limits and intervals: Bland & Altman 1986). The bias is so that
    only one limit is ever in question, for which the noncentral t is exact."""
    bias, sd, allowed = 2.0, 1.0, 6.5
    planned = persons_for_verdict(bias, sd, allowed, 0.8)
    n = planned.persons
    assert n < 15
    drawn = np.random.default_rng(7).normal(bias, sd, (100_000, n))
    mean, spread = drawn.mean(axis=1), drawn.std(axis=1, ddof=1)
    reach = stats.norm.ppf(0.975) * spread + stats.t.ppf(0.975, n - 1) * spread * np.sqrt(3 / n)
    yes = (mean - reach >= -allowed) & (mean + reach <= allowed)
    # Three standard errors of a share.
    assert planned.reached == pytest.approx(yes.mean(), abs=3 * np.sqrt(0.25 / 100_000))
