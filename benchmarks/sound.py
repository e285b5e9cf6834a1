"""Seconds and memory for long recordings, beside plain transforms of the same file; and how exact the figures are.

    python benchmarks/sound.py [--minutes 10] [--rate 96000] [--exact]

Writes a 24-bit stereo WAV into a temporary folder. The reading runs in a process of its own, whose peak memory it
prints. The transforms are numpy's, of each second and channel, in a process of their own too.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import soundfile


def write(path: Path, minutes: float, rate: int) -> None:
    """Noise, hum and a tone, with a click and a dropout now and then."""
    rng = np.random.default_rng(3)
    piece = np.arange(rate) / rate
    with soundfile.SoundFile(path, "w", rate, 2, "PCM_24") as file:
        for second in range(int(60 * minutes)):
            tone = 0.1 * np.sin(2 * np.pi * 1000 * piece) * (second % 120 < 90)
            block = 1e-3 * rng.standard_normal((rate, 2)) + (tone + 0.005 * np.sin(2 * np.pi * 100 * piece))[:, None]
            block[rate // 3] += 0.1 * (second % 7 == 0)
            file.write(block)


def read(path: Path) -> None:
    """Read it whole."""
    from refettle.sound import FileSource, read_sound

    with path.open("rb") as file:
        read_sound(FileSource(file))


def transform(path: Path) -> None:
    """The plainest thing that touches every sample: a transform of each second of each channel."""
    with soundfile.SoundFile(path) as file:
        for block in file.blocks(file.samplerate, dtype="float64", always_2d=True):
            for channel in range(block.shape[1]):
                spectrum = np.fft.rfft(block[:, channel])
                float((spectrum.real**2 + spectrum.imag**2).sum())


def measured(what: str, path: Path) -> tuple[float, float]:
    """[s] and [MB] of one of the two in a process of its own."""
    run = subprocess.run(
        [sys.executable, __file__, "--child", what, str(path)], capture_output=True, text=True, check=True
    )
    seconds, memory = run.stdout.split()
    return float(seconds), float(memory)


def exact() -> None:
    """Largest errors over random cases: hum, THD+N, speed, flutter."""
    sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
    from tests.sound.signals import noise, sine, tape, times

    from refettle.sound import ArraySource
    from refettle.sound.flutter import Flutter, read_flutter
    from refettle.sound.hum import read_hum
    from refettle.sound.tone import Tone, read_tone

    rng = np.random.default_rng(11)
    rate = 44_100
    rows: dict[str, list[float]] = {"hum line, level [dB]": [], "hum, mains [Hz]": [], "THD+N [dB]": []}
    rows |= {"tape speed [%]": [], "flutter, one line [% of reading]": []}
    wrong = missed = false = 0
    clock = times(10.0, rate)
    for case in range(100):
        base = (50, 60)[case % 2]
        mains = base + rng.uniform(-0.15, 0.15)
        multiples = rng.choice(np.arange(1, 13), 3, replace=False)
        lines = {int(k): -123.4 + rng.uniform(22, 60) for k in multiples}
        sound = noise(-80, clock, case)
        for k, level in lines.items():
            sound = sound + sine(level, k * mains, clock, rng.uniform(0, 6))
        hum = read_hum(sound, rate)
        found = {line.multiple: line.level.value or 0.0 for line in hum.lines}
        if hum.base != base:
            wrong += 1
            continue
        rows["hum, mains [Hz]"].append(abs((hum.mains.value or 0.0) - mains))
        rows["hum line, level [dB]"] += [abs(found[k] - lines[k]) for k in lines if k in found]
        missed += len(set(lines) - set(found))
        false += len(set(found) - set(lines))
    for case in range(60):
        second, third, floor = rng.uniform(-90, -25), rng.uniform(-90, -25), rng.uniform(-85, -40)
        hertz = rng.uniform(260, 4000)
        sound = (
            sine(-10, hertz, clock) + sine(-10 + second, 2 * hertz, clock, 1) + sine(-10 + third, 3 * hertz, clock, 2)
        )
        tone = read_tone((sound + noise(-10 + floor, clock, case))[: 5 * rate], rate)
        rest = 10 ** (second / 10) + 10 ** (third / 10) + 10 ** (floor / 10) * 19_980 / (rate / 2)
        assert isinstance(tone, Tone)
        rows["THD+N [dB]"].append(abs((tone.thd_n_db.value or 0.0) - 10 * np.log10(rest / (1 + rest))))
    from refettle.sound.weighting import flutter_weighting

    for _ in range(40):
        speed, hertz, peak = (
            rng.uniform(-6, 6),
            float(np.exp(rng.uniform(np.log(0.5), np.log(60)))),
            rng.uniform(0.05, 0.5),
        )
        found_ = read_flutter(ArraySource(tape(20, rate, [(hertz, peak)], speed, noise_db=45), rate), 3150.0)
        assert isinstance(found_, Flutter)
        expected = 0.9969 * peak * float(flutter_weighting(np.array([hertz]))[0])
        rows["tape speed [%]"].append(abs((found_.speed.value or 0.0) - speed))
        rows["flutter, one line [% of reading]"].append(100 * abs((found_.weighted.value or 0.0) / expected - 1))
    print("| figure | cases | median error | largest |\n|---|---|---|---|")
    for what, errors in rows.items():
        print(f"| {what} | {len(errors)} | {np.median(errors):.2g} | {max(errors):.2g} |")
    print(f"\n50 and 60 Hz confused {wrong}, lines missed {missed}, false lines {false} in 100 recordings of 10 s")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--rate", type=int, default=96_000)
    parser.add_argument("--exact", action="store_true")
    parser.add_argument("--child", nargs=2, help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.child:
        what, path = args.child
        begun = time.perf_counter()
        {"read": read, "transform": transform}[what](Path(path))
        print(time.perf_counter() - begun, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000.0)
        return
    if args.exact:
        exact()
        return
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "long.wav"
        write(path, args.minutes, args.rate)
        plain, plain_memory = measured("transform", path)
        seconds, memory = measured("read", path)
    print("| recording | seconds | times the plain transforms | peak memory [MB] | of the transforms [MB] |")
    print("|---|---|---|---|---|")
    what = f"{args.minutes:g} min, {args.rate} Hz, two channels"
    print(f"| {what} | {seconds:.1f} | {seconds / plain:.1f} | {memory:.0f} | {plain_memory:.0f} |")


if __name__ == "__main__":
    main()
