"""Memory over many photographs: is the hundredth cheaper to hold than the tenth?

    python tests/speed/flat.py [N]      N photographs (100) through one command, memory watched all the while (Linux)

Prints memory of parent and workers over the run, by fifths, and the processor time over the wall time.
"""

import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

SAMPLES = sorted((Path(__file__).parents[2] / "samples").glob("*.jpg"))


def tree_mb(pid: int) -> list[float]:
    """Resident memory, in MB, of a process and of its children, those that were started for measuring."""
    pids = [pid]
    try:
        pids += [int(p) for p in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]
    except OSError:
        return []
    out = []
    for p in pids:
        try:
            pages = int(Path(f"/proc/{p}/statm").read_text().split()[1])
        except (OSError, IndexError):
            continue
        out.append(pages * os.sysconf("SC_PAGE_SIZE") / 1e6)
    return out


def watch(n: int) -> tuple[list[tuple[float, list[float]]], float, float, int]:
    """Measure ``n`` photographs; memory at each moment, wall and processor seconds, and lines of the result."""
    moments = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for k in range(n):
            shutil.copy(SAMPLES[k % len(SAMPLES)], folder / f"{k:04d}.jpg")
        out = folder / "out.jsonl"
        begin = time.perf_counter()
        process = subprocess.Popen(
            [sys.executable, "-m", "holecount", "measure", str(folder), "--as", "json", "-o", str(out)],
            stderr=subprocess.DEVNULL,
        )
        while process.poll() is None:
            moments.append((time.perf_counter() - begin, tree_mb(process.pid)))
            time.sleep(0.25)
        wall = time.perf_counter() - begin
        used = resource.getrusage(resource.RUSAGE_CHILDREN)
        n_lines = len(out.read_text(encoding="utf-8").splitlines())
    return moments, wall, used.ru_utime + used.ru_stime, n_lines


def main() -> None:
    """Watch and print."""
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    moments, wall, cpu, n_lines = watch(n)
    print(f"{n_lines} of {n} photographs in {wall:.1f} s, {cpu:.1f} s of processor time: {cpu / wall:.2f} cores busy")
    for fifth in range(5):
        part = [m for t, m in moments if fifth * wall / 5 <= t < (fifth + 1) * wall / 5 and m]
        parent, whole = max(m[0] for m in part), max(sum(m) for m in part)
        print(f"fifth {fifth + 1}: parent {parent:.0f} MB, all together at most {whole:.0f} MB")


if __name__ == "__main__":
    main()
