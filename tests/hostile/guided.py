"""Coverage-guided fuzzing of one reader, by atheris (an optional development package; libFuzzer under Python).

    python tests/hostile/guided.py READER RUNS [SEED]

Starts from good inputs, keeps what reaches new lines of ours, and ends with status 0 after RUNS inputs, or with what
broke in ``hostile-failures``. One process a reader: libFuzzer ends the process itself.
"""

import sys
import tempfile
from pathlib import Path

import atheris

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE.parent), str(HERE.parents[1])]

with atheris.instrument_imports(include=["holecount"]):
    import readers


def main() -> None:
    """Fuzz the reader named on the command line."""
    import contract

    reader, runs = sys.argv[1], int(sys.argv[2])
    seed = sys.argv[3] if len(sys.argv) > 3 else "1"
    corpus = Path(tempfile.mkdtemp(prefix="hostile-corpus-"))
    for i, good in enumerate(readers.seeds(reader)):
        (corpus / f"seed-{i}").write_bytes(good)
    failures = Path("hostile-failures")
    failures.mkdir(exist_ok=True)
    function = readers.READERS[reader]

    def one(data: bytes) -> None:
        contract.only_troubles(function, data)

    longest = max(4096, *(2 * len(s) for s in readers.seeds(reader)))
    options = [f"-runs={runs}", f"-seed={seed}", f"-max_len={longest}", "-timeout=30", "-rss_limit_mb=4000"]
    options += [f"-artifact_prefix={failures}/{reader}-", "-print_final_stats=1"]
    atheris.Setup([sys.argv[0], *options, str(corpus)], one)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
