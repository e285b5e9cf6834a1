"""How often forecasts of whitening hold, beside a curve fit with the delta method on the same made-up batches.

    python benchmarks/whitening_progress.py --runs 1000

Prints for each setting: share of runs whose nominal 90 % interval holds the truth (an interval without upper end holds
what lies above its lower end; a curve fit that fails or has no finite interval holds nothing), how often an upper end
is given and then holds, the mean chance of never beside its truth, and the time of one forecast over one curve fit.
"""

from __future__ import annotations

import argparse
import sys
import time
import warnings
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from tests.whitening.batches import EARLY, Batch, batches, score

from refettle.whitening.kinetics import fit
from refettle.whitening.progress import foretell


def curve_fit_holds(batch: Batch) -> bool:
    """Whether estimate ± 1.645 sd of the time to target, by the delta method, holds the truth."""
    from scipy.optimize import curve_fit

    def model(x: np.ndarray, floor: float, fall: float, rate: float) -> np.ndarray:
        return floor + fall * np.exp(-rate * x)

    start = (batch.reference, batch.y[0] - batch.reference, 0.1)
    try:
        found, covariance = curve_fit(model, batch.x, batch.y, p0=start, sigma=np.full(len(batch.x), batch.sd),
                                      absolute_sigma=True, maxfev=2000)  # fmt: skip
    except RuntimeError:
        return False
    floor, fall, rate = found
    if rate <= 0 or batch.target <= floor or fall <= batch.target - floor:
        return False
    at = np.log(fall / (batch.target - floor)) / rate
    slope = np.array([1.0 / (batch.target - floor) / rate, 1.0 / fall / rate, -at / rate])
    width = 1.645 * np.sqrt(max(float(slope @ covariance @ slope), 0.0))
    return bool(np.isfinite(width) and abs(at - batch.truth) <= width)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=1000)
    runs = parser.parse_args().runs
    warnings.simplefilter("ignore")
    heads = ["setting", "samples hold", "what is said holds", "upper end given", "then holds", "never: said, true",
             "curve fit holds", "time, ratio"]  # fmt: skip
    print(f"| {' | '.join(heads)} |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    for setting in EARLY:
        held, own = score(setting, runs), score(setting, runs, own_target=True)
        drawn = list(batches(setting, runs))
        curve_fit_holds(drawn[0])
        begin = time.perf_counter()
        others = [curve_fit_holds(each) for each in drawn]
        middle = time.perf_counter()
        for each in drawn:
            foretell(fit(each.x, each.y, each.sd, reference=each.reference), each.target, float(each.x[-1]))
        ratio = (time.perf_counter() - middle) / (middle - begin)
        print(f"| {setting} | {held.raw:.3f} | {held.said:.3f} | {held.bounded:.2f} | {held.held_if_bounded:.2f} | "
              f"{own.never_said:.2f}, {own.never:.2f} | {np.mean(others):.2f} | {ratio:.1f} |")  # fmt: skip


if __name__ == "__main__":
    main()
