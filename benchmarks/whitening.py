"""A 12-megapixel photo to the values of its regions: time and memory, beside a general colour library.

    python benchmarks/whitening.py [--repeats 5]

The photo is a simulated one: the card, a lid and a flap. Each way runs in a process of its own, so that imports and the
largest memory (VmHWM, so Linux only) are its own. The library (colour-science, with Pillow to open the file) does the
whole frame as its manual does it: decode, matrix, Lab, yellowness, then the mean of the same regions; it does not look
for the card, whose balance is given to it.
"""

from __future__ import annotations

import os

os.environ["OPENBLAS_NUM_THREADS"] = os.environ["OMP_NUM_THREADS"] = "1"  # before numpy is imported

import argparse
import json
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[1]
OURS = """
import re, sys, time
began = time.perf_counter()
from refettle.whitening.reading import read_photo
from refettle.whitening.regions import read_regions
import json
data = open(sys.argv[1], "rb").read()
regions, reference = read_regions(json.loads(open(sys.argv[2]).read())["card"])
times, worked = [], []
for _ in range(int(sys.argv[3])):
    start, at = time.perf_counter(), time.process_time()
    reading = read_photo(data, regions, reference=reference)
    times.append(time.perf_counter() - start)
    worked.append(time.process_time() - at)
    if len(times) == 1:
        whole, cpu = time.perf_counter() - began, time.process_time()
peak = int(re.search(r"VmHWM:\\s+(\\d+)", open("/proc/self/status").read())[1]) / 1024
yi = [each.yi for each in reading.regions]
print(json.dumps({"whole": whole, "cpu": cpu, "warm": times, "worked": worked, "peak": peak, "yi": yi}))
"""
LIBRARY = """
import re, sys, time, warnings
warnings.simplefilter("ignore")
began = time.perf_counter()
import colour, numpy as np
from PIL import Image
import json
places = json.loads(open(sys.argv[2]).read())
white = np.array([0.3127, 0.3290])
def run():
    code = np.asarray(Image.open(sys.argv[1])).astype(np.float32) / 255
    linear = colour.cctf_decoding(code, function="sRGB") * np.array(places["gain"], dtype=np.float32)
    xyz = colour.RGB_to_XYZ(linear, "sRGB")
    lab = colour.XYZ_to_Lab(xyz, white)
    yi = colour.colorimetry.yellowness_ASTME313(100 * xyz, C_XZ=np.array([1.2985, 1.1335]))
    boxes = [np.s_[t:b, l:r] for l, t, r, b in places["boxes"]]
    return [float(yi[box].mean()) for box in boxes], [lab[box].mean(axis=(0, 1)) for box in boxes]
times, worked = [], []
for _ in range(int(sys.argv[3])):
    start, at = time.perf_counter(), time.process_time()
    yi, lab = run()
    times.append(time.perf_counter() - start)
    worked.append(time.process_time() - at)
    if len(times) == 1:
        whole, cpu = time.perf_counter() - began, time.process_time()
peak = int(re.search(r"VmHWM:\\s+(\\d+)", open("/proc/self/status").read())[1]) / 1024
print(json.dumps({"whole": whole, "cpu": cpu, "warm": times, "worked": worked, "peak": peak, "yi": yi}))
"""


def make(folder: Path) -> tuple[Path, Path]:
    """The photo, and where everything is for both ways."""
    sys.path.insert(0, str(ROOT))
    import numpy as np
    from tests.support.camera import Look, View, jpeg, render
    from tests.whitening.scenes import REGIONS, scene

    from refettle.whitening.reading import read_photo
    from refettle.whitening.regions import written

    code = render(scene(), Look(), View(4000, 3000), np.random.default_rng(1))
    photo, places = folder / "photo.jpg", folder / "places.json"
    photo.write_bytes(jpeg(code, 95))
    reading = read_photo(photo.read_bytes(), REGIONS, reference="flap")
    size = np.array([4000, 3000])
    outlines = [np.rint(np.array(each.outline) * size).astype(int) for each in reading.regions]
    boxes = [[*(int(v) for v in o.min(axis=0)), *(int(v) for v in o.max(axis=0))] for o in outlines]
    places.write_text(json.dumps({"card": written(REGIONS, "flap"), "gain": reading.gain, "boxes": boxes}))
    return photo, places


def measured(program: str, photo: Path, places: Path, repeats: int) -> dict[str, Any]:
    done = subprocess.run([sys.executable, "-c", program, str(photo), str(places), str(repeats)],
                          check=True, capture_output=True, text=True, cwd=ROOT)  # fmt: skip
    found: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--repeats", type=int, default=5)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        photo, places = make(Path(folder))
        found = {name: measured(program, photo, places, args.repeats)
                 for name, program in (("here", OURS), ("colour-science", LIBRARY))}  # fmt: skip
    heads = ("12 megapixels to region values", "with imports [s]", "processor [s]", "again [s]", "processor [s]")
    print(f"| {' | '.join(heads)} | memory [MB] |")
    print("|---|---|---|---|---|---|")
    for name, each in found.items():
        times = [each["whole"], each["cpu"], min(each["warm"]), min(each["worked"])]
        print(f"| {name} | {' | '.join(f'{t:.2f}' for t in times)} | {each['peak']:.0f} |")
    ours, library = found["here"], found["colour-science"]
    ratios = [library[k] / ours[k] for k in ("whole", "cpu")]
    ratios += [min(library[k]) / min(ours[k]) for k in ("warm", "worked")]
    print(f"| times | {' | '.join(f'{r:.1f}' for r in [*ratios, library['peak'] / ours['peak']])} |")
    print(f"\nYI here {ours['yi']}, there {library['yi']}")


if __name__ == "__main__":
    main()
