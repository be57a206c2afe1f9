"""Prints how many reps are counted in each open watch set, beside the control length / period.

Run: python tests/print_free_counts.py
"""

from __future__ import annotations

from collections import Counter

import numpy as np
from open_data import NOMINAL_REPS, RATE_HZ, TUNING_SUBJECTS, WatchSet, watch_sets, with_stillness

from imu_shoulder.model import Recording, SensorStream
from imu_shoulder.pipeline import analyse


def counted(watch_set: WatchSet) -> int:
    """Reps that count, as `analyse` has them of a recording of the watch alone: no mark, and mostly no pose."""
    samples = watch_set.time_s, watch_set.acc_m_s2, watch_set.gyr_rad_s
    stream = SensorStream("right_wrist", *samples, declared_rate_hz=RATE_HZ)
    recording = Recording("watch", f"S{watch_set.subject}", "2018-01-01T00:00:00", {"right_wrist": stream}, ())
    return sum(not judged.excluded for found in analyse(recording).sets for judged in found.judged)


def length_over_period(watch_set: WatchSet) -> int:
    """The control: it knows that the file is trimmed to the set. Period: highest peak of the autocorrelation of the
    acceleration's first principal component between 0.8 and 4 s."""
    acc = watch_set.acc_m_s2 - watch_set.acc_m_s2.mean(axis=0)
    lead = acc @ np.linalg.svd(acc, full_matrices=False)[2][0]
    correlation = np.correlate(lead, lead, "full")[len(lead) - 1 :] / np.arange(len(lead), 0, -1)
    low, high = round(0.8 * RATE_HZ), round(4.0 * RATE_HZ)
    period = low + int(np.argmax(correlation[low:high]))
    return round(len(lead) / period)


def line(name: str, counts: list[int]) -> str:
    exact = np.mean([count == NOMINAL_REPS for count in counts])
    within = np.mean([abs(count - NOMINAL_REPS) <= 1 for count in counts])
    spread = " ".join(f"{count}:{times}" for count, times in sorted(Counter(counts).items()))
    return f"{name:44s} exact {exact:6.1%}  within 1 {within:6.1%}   {spread}"


def main() -> None:
    sets = watch_sets()
    groups = {
        "all": sets,
        "subjects 1-5 (tuned on)": tuple(s for s in sets if s.subject in TUNING_SUBJECTS),
        "subjects 6-10": tuple(s for s in sets if s.subject not in TUNING_SUBJECTS),
    }
    for name, group in groups.items():
        print(line(f"{name}, as recorded", [counted(s) for s in group]))
        print(line(f"{name}, 3 s of stillness spliced on", [counted(with_stillness(s)) for s in group]))
        print(line(f"{name}, control length / period", [length_over_period(s) for s in group]))


if __name__ == "__main__":
    main()
