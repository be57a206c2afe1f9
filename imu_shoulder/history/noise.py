"""How far a session's value is off by chance, from seasons of sessions: with sensors put on anew, day after day.

A person who trains changes, so the difference of two sessions is not noise alone. What is taken instead is how far
sessions are from the straight line through the few that were done around them, which a steady trend leaves at nothing.

Persons differ in how much their values scatter, and who scatters much in one measure does so in others. So a measure
has its usual scatter, a person a factor to it, and a series of a person what both leave; each is weighed by how much is
known of it, and by how much persons, and series of a person, differ. Who scatters more than others is not drawn down
to them: a few sessions that happen to lie close would else make statements of chance.

Sources. Residuals of straight lines with as many degrees of freedom as sessions less two: any textbook of regression.
Moderated variances: Smyth 2004 (Stat Appl Genet Mol Biol 3:3), from memory; simulations with known truth hold them
(docs/history.md). Lines by stretches, the factor of a person, and that it is drawn one way alone: ours.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import optimize, special

from imu_shoulder.model import FloatArray

# Degrees of freedom of what is known of others: at least, and at most, so that a person's own sessions always count.
# Ours.
LEAST_PRIOR, MOST_PRIOR = 2.5, 30.0
# Series and their degrees of freedom, below which nothing is said of a measure. Ours.
FEWEST_SERIES, FEWEST_FREEDOM = 3, 8.0
# A person's own sessions count from so many on; before that others' count for at most so much. Ours.
OWN_FROM, MOST_BEFORE = 5, 4.0
# Values of one session share its straps: of what all measures tell of a person, this much is taken. Ours: that of ten
# measures which correlate by 0.27.
INDEPENDENT = 0.6
# Sessions in a row through which a person's course is taken for straight, about. Ours.
STRAIGHT = 6

# Whose series it is, and of what: whatever scatters alike, such as a drill's measure.
Key = tuple[Hashable, Hashable]


@dataclass(frozen=True, slots=True)
class Part:
    """The scatter of one series, that of a person, drill, arm and measure.

    sum_squares: of the residuals. freedom: their degrees of freedom. sessions: days in the series.
    """

    sum_squares: float
    freedom: int
    sessions: int

    @property
    def variance(self) -> float:
        return self.sum_squares / self.freedom if self.freedom else float("nan")

    def __add__(self, other: Part) -> Part:
        """Of two stretches of one series that are not compared with each other."""
        freedom, sessions = self.freedom + other.freedom, self.sessions + other.sessions
        return Part(self.sum_squares + other.sum_squares, freedom, sessions)


NOTHING = Part(0.0, 0, 0)


@dataclass(frozen=True, slots=True)
class Scatter:
    """A variance with its degrees of freedom. own: whether the person's own sessions are in it."""

    variance: float
    freedom: float
    own: bool = False

    @property
    def sem(self) -> float:
        """The standard error of measurement of a session's value."""
        return float(np.sqrt(self.variance))

    @property
    def mdc95(self) -> float:
        """The change between two sessions that chance alone exceeds in 5 of 100 pairs."""
        return 1.96 * float(np.sqrt(2.0)) * self.sem


def part_of(days: FloatArray, values: FloatArray) -> Part:
    """The scatter of one series about a straight line through each stretch of it. days, values: (N,), days rising."""
    count = len(days)
    if count < 3:
        return Part(0.0, 0, count)
    stretches = max(1, round(count / STRAIGHT))
    squares = 0.0
    for place in range(stretches):
        own = slice(place * count // stretches, (place + 1) * count // stretches)
        x, y = days[own] - days[own].mean(), values[own] - values[own].mean()
        squares += max(0.0, float(y @ y - (x @ y) ** 2 / (x @ x)))
    return Part(squares, count - 2 * stretches, count)


@dataclass(frozen=True, slots=True)
class Known:
    """What seasons tell. usual: of each kind of series the usual variance. person: how the factors of persons to it
    are spread, and rest: how series of one person are, as a scaled inverse chi-square each. factors: of persons with
    OWN_FROM sessions.
    """

    usual: Mapping[Hashable, float]
    person: Scatter
    rest: float
    factors: Mapping[Hashable, Scatter]

    def scatter(self, person: Hashable, kind: Hashable, own: Part) -> Scatter | None:
        """Of one series; None where too little is known of its kind. Everybody's until there are OWN_FROM sessions,
        more where the person's own tell that it is more.
        """
        if kind not in self.usual:
            return None
        usual, factor = self.usual[kind], self.factors.get(person)
        if own.sessions < OWN_FROM or factor is None:
            variance = max(self.person.variance, factor.variance if factor else 0.0)
            return Scatter(usual * variance, min(self.person.freedom, MOST_BEFORE))
        prior = 1.0 / (1.0 / self.rest + 1.0 / factor.freedom)
        freedom = prior + own.freedom
        return Scatter((usual * factor.variance * prior + own.sum_squares) / freedom, freedom, own=True)


def learn(parts: Mapping[Key, Sequence[Part]]) -> Known:
    """From the scatter of all series of all persons. A person may have several of one kind, such as of both arms."""
    known = {key: [part for part in own if part.freedom] for key, own in parts.items()}
    by_kind: dict[Hashable, list[Part]] = {}
    for (_, kind), own in known.items():
        by_kind.setdefault(kind, []).extend(own)
    usual = {kind: _usual(own) for kind, own in by_kind.items() if _enough(own)}
    by_person: dict[Hashable, list[tuple[Part, float]]] = {}
    for (who, kind), own in known.items():
        by_person.setdefault(who, []).extend((part, usual[kind]) for part in own if kind in usual)
    ratios = {who: _ratio(own) for who, own in by_person.items() if own}
    persons = _spread(list(ratios.values()))
    factors = {who: _weighed(found, persons) for who, found in ratios.items()}
    rest = _spread(
        [
            Scatter(part.variance / of_kind / factors[who].variance, part.freedom)
            for who, own in by_person.items()
            for part, of_kind in own
        ]
    )
    return Known(usual, persons, rest.freedom, factors)


def _enough(parts: Sequence[Part]) -> bool:
    return len(parts) >= FEWEST_SERIES and sum(part.freedom for part in parts) >= FEWEST_FREEDOM


def _usual(parts: Sequence[Part]) -> float:
    """The mean of logarithms, so that a few who scatter much do not make it large for all."""
    freedom = np.array([part.freedom for part in parts])
    variances = np.array([part.variance for part in parts])
    return float(np.exp(np.average(_logs(variances, freedom), weights=1.0 / special.polygamma(1, freedom / 2))))


def _ratio(parts: Sequence[tuple[Part, float]]) -> Scatter:
    """How much more than usual a person scatters, as a variance. parts: with the usual variance of each."""
    freedom = sum(part.freedom for part, _ in parts)
    squares = sum(part.variance / usual * part.freedom for part, usual in parts)
    return Scatter(squares / freedom, freedom * INDEPENDENT)


def _weighed(own: Scatter, everybody: Scatter) -> Scatter:
    """A person's factor: drawn up to everybody's where it is less, and not down where it is more."""
    freedom = own.freedom + everybody.freedom
    if own.variance > everybody.variance:
        return Scatter(own.variance, freedom)
    return Scatter((own.variance * own.freedom + everybody.variance * everybody.freedom) / freedom, freedom)


def _logs(variances: FloatArray, freedom: FloatArray) -> FloatArray:
    """Logarithms of variances, freed of what taking logarithms makes of chance. One of nothing counts as small."""
    least = 0.02 * float(np.median(variances)) or np.finfo(float).tiny
    logs: FloatArray = np.log(np.maximum(variances, least)) - special.digamma(freedom / 2) + np.log(freedom / 2)
    return logs


def _spread(found: Sequence[Scatter]) -> Scatter:
    """The scaled inverse chi-square from which variances come: few degrees of freedom where they differ much.

    By how much more the logarithms spread than chance makes them.
    """
    if len(found) < FEWEST_SERIES:
        return Scatter(1.0, LEAST_PRIOR)
    freedom = np.array([one.freedom for one in found])
    logs, chance = _logs(np.array([one.variance for one in found]), freedom), special.polygamma(1, freedom / 2)
    weights = 1.0 / chance
    centre = float(np.average(logs, weights=weights))
    squares = (logs - centre) ** 2 * len(logs) / (len(logs) - 1)
    prior = _freedom_of(float(np.average(squares - chance, weights=weights)))
    return Scatter(float(np.exp(centre + special.digamma(prior / 2) - np.log(prior / 2))), prior)


def _freedom_of(excess: float) -> float:
    """The degrees of freedom whose logarithms have this variance."""
    if excess <= float(special.polygamma(1, MOST_PRIOR / 2)):
        return MOST_PRIOR
    if excess >= float(special.polygamma(1, LEAST_PRIOR / 2)):
        return LEAST_PRIOR
    return float(
        optimize.brentq(lambda prior: float(special.polygamma(1, prior / 2)) - excess, LEAST_PRIOR, MOST_PRIOR)
    )
