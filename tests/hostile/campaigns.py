"""Every campaign: what it hands in, how often, and what came of it."""

import contextlib
import json
import os
import random
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import mutants
import photos
import readers
import surroundings
from contract import Broken, as_command, hold, in_process, one_sentence, only_troubles
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from holecount.photo import read_photo

Outcome = Counter[str]

PEAK_MB = 1500
"""What measuring any file may take, the largest ones read included."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Campaign:
    """One campaign; ``run`` takes how much to do (1 in full, less in the short version) and a seed."""

    name: str
    expects: str
    run: Callable[[float, int], Outcome]


@contextlib.contextmanager
def silent() -> Iterator[None]:
    """`Broken` when anything is written to standard error past Python, as C decoders do."""
    with tempfile.TemporaryFile() as aside:
        before = os.dup(2)
        os.dup2(aside.fileno(), 2)
        try:
            yield
        finally:
            os.dup2(before, 2)
            os.close(before)
            aside.seek(0)
            said = aside.read(500)
    if said:
        raise Broken(f"a decoder wrote to standard error: {said!r}")


def keep(data: bytes, name: str) -> Path:
    """Keep what broke something, to be looked at."""
    folder = Path("hostile-failures")
    folder.mkdir(exist_ok=True)
    file = folder / name
    file.write_bytes(data)
    return file


def _read_all(reader: str, inputs: Iterator[bytes]) -> Outcome:
    out: Outcome = Counter()
    for i, data in enumerate(inputs):
        try:
            out[only_troubles(readers.READERS[reader], data)] += 1
        except Broken as e:
            raise Broken(f"{e}; kept as {keep(data, f'{reader}-{i}'.replace(' ', '-'))}") from e
    return out


def _spoiled_photos(form: str) -> Callable[[float, int], Outcome]:
    def run(much: float, seed: int) -> Outcome:
        chance = random.Random(seed)
        good = photos.seed(form)
        n = int(2500 * much)
        with silent():
            return _read_all("photograph", (mutants.bytes_spoiled(good, chance) for _ in range(n)))

    return run


def _cut_photos(form: str) -> Callable[[float, int], Outcome]:
    def run(much: float, seed: int) -> Outcome:
        with silent():
            return _read_all("photograph", mutants.cuts(photos.seed(form), int(1000 * much)))

    return run


def _known_photos(much: float, seed: int) -> Outcome:
    """The list of `photos.cases`, each measured by a command of its own with its memory watched."""
    out: Outcome = Counter()
    chosen = list(photos.cases())
    if much < 1:  # Here and now, without those that take long to make.
        chosen = [c for c in chosen if not any(slow in c.name for slow in ("really 20000", "50 megapixels", "200 MB"))]
    for case in chosen:
        with tempfile.TemporaryDirectory() as name:
            file = Path(name) / "photo"
            file.write_bytes(case.make())
            try:
                if much < 1:
                    came = only_troubles(read_photo, file)
                    if came == "read" and case.statuses == photos.DAMAGED:
                        raise Broken("it was read")
                    out[came] += 1
                    continue
                if surroundings.LINUX:
                    ended, peak = surroundings.peak_mb(["measure", str(file)])
                    if peak > PEAK_MB:
                        raise Broken(f"took {peak:.0f} MB")
                else:
                    ended = as_command(["measure", str(file)])
                hold(ended, statuses=case.statuses)
                one_sentence(ended.err)
            except Broken as e:
                raise Broken(f"{case.name}: {e}") from e
        out["refused"] += 1
    return out


def _spoiled_texts(reader: str) -> Callable[[float, int], Outcome]:
    def run(much: float, seed: int) -> Outcome:
        chance = random.Random(seed)
        good = readers.seeds(reader)
        return _read_all(reader, (mutants.bytes_spoiled(chance.choice(good), chance) for _ in range(int(5000 * much))))

    return run


def _spoiled_json(reader: str) -> Callable[[float, int], Outcome]:
    def run(much: float, seed: int) -> Outcome:
        chance = random.Random(seed)
        good = [json.loads(s) for s in readers.seeds(reader) if s.startswith(b"{")]

        def made() -> Iterator[bytes]:
            for _ in range(int(5000 * much)):
                yield mutants.json_text(mutants.json_spoiled(chance.choice(good), chance), chance).encode()

        return _read_all(reader, made())

    return run


_LITTLE = st.sampled_from([
    "1", "2", "0", "12", "1/2", "3/16", "0/0", "1/0", "mm", "in", "cm", '"', "'", "½", "⅜", "+", "-", "~", ",", ";",
    ":", ".", " ", "\n", "over", "just under", "front", "left", "pitch", "hole", "six inches", "along", "unit", "#",
    "x", "=", "e9", "inf", "nan", "9" * 30, "\u0661", "\x85", "\u2028", "ﬁ", "’", "−",
])  # fmt: skip
_TYPED = st.lists(_LITTLE, max_size=14).map("".join) | st.text(max_size=60)


def _hypothetical(reader: str) -> Callable[[float, int], Outcome]:
    """What hypothesis thinks of: pieces of the language put together anyhow, any text, any JSON."""

    def run(much: float, seed: int) -> Outcome:
        out: Outcome = Counter()
        leaves = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20)
        anything = st.recursive(leaves, lambda x: st.lists(x, max_size=4) | st.dictionaries(st.text(max_size=12), x))
        keys = sorted({k for s in readers.seeds(reader) if s.startswith(b"{") for k in json.loads(s)})
        shaped = st.fixed_dictionaries({}, optional={k: anything for k in keys})
        inputs = (shaped | anything).map(json.dumps) if keys else _TYPED

        def check(text: str) -> None:
            out[only_troubles(readers.READERS[reader], text.encode("utf-8", "replace"))] += 1

        driven = settings(
            max_examples=max(20, int(1000 * much)), deadline=None, database=None,
            suppress_health_check=list(HealthCheck),
        )(given(inputs)(check))  # fmt: skip
        driven()
        return out

    return run


def _guided(reader: str, runs: int) -> Callable[[float, int], Outcome]:
    """Coverage-guided, by atheris in a process of its own."""

    def run(much: float, seed: int) -> Outcome:
        n = int(runs * much)
        done = subprocess.run(
            [sys.executable, str(Path(__file__).with_name("guided.py")), reader, str(n), str(seed)],
            capture_output=True, text=True, errors="replace", check=False,
        )  # fmt: skip
        if "No module named 'atheris'" in done.stderr:
            raise surroundings.Unable("atheris is not installed (pip install atheris; Python 3.11 to 3.13, Linux)")
        if done.returncode:
            raise Broken(f"{reader}: {done.stderr[-3000:]}")
        reached = [part for line in done.stderr.splitlines() if "DONE" in line for part in line.split()]
        return Counter({"tried": n, f"branches reached {reached[reached.index('cov:') + 1]}": 0})

    return run


TAKERS = {
    "size": ["size", "SAVED", "--explain"],
    "plan": ["plan", "SAVED", "--as", "json"],
    "plan, corners named": ["plan", "SAVED", "--corner-holes", "1,11,21,31"],
    "tape": ["tape", "SAVED", "--pitch", "1/2, 13 mm", "--hole", "3/16", "--six-inches", "12", "--along", "front: 11"],
    "sheet": ["sheet", "SAVED", "--plan", "--explain"],
    "set of sheets": ["sheet", "SAVED", "SAVED"],
}
"""Commands that take a saved measurement."""


def _saved_measurements(much: float, seed: int) -> Outcome:
    """Spoiled measurements, some still readable, through every command that takes one."""
    chance = random.Random(seed)
    out: Outcome = Counter()
    good = [json.loads(readers.seeds("saved measurement")[0]), json.loads(surroundings.saved_measurement())]
    with tempfile.TemporaryDirectory() as name:
        file = Path(name) / "saved.json"
        for i in range(int(600 * much)):
            spoiled = mutants.json_text(mutants.json_spoiled(chance.choice(good), chance), chance).encode()
            file.write_bytes(spoiled)
            for taker, arguments in TAKERS.items():
                if "sheet" in taker and i % 10:
                    continue  # They take a second each where the others take a hundredth.
                try:
                    ended = hold(in_process([str(file) if a == "SAVED" else a for a in arguments]))
                except Broken as e:
                    raise Broken(f"{taker}: {e}; kept as {keep(spoiled, f'saved-{i}.json')}") from e
                out["read" if ended.status == 0 else "refused"] += 1
    return out


def _schemas(much: float, seed: int) -> Outcome:
    """Saved measurements, jobs and fix files of an older and a newer program."""
    out: Outcome = Counter()
    saved = json.loads(readers.seeds("saved measurement")[0])
    fixes, job = json.loads(readers.FIX_FILE), json.loads(readers.JOB_FILE)
    for reader, key, good in (
        ("saved measurement", "schema", saved), ("fix file", "holecount_fixes", fixes), ("job", "holecount_job", job),
    ):  # fmt: skip
        for number in (0, 2, 99, -1, 1.5, "1", None, True, [1]):
            out[only_troubles(readers.READERS[reader], json.dumps({**good, key: number}).encode())] += 1
        without = {k: v for k, v in good.items() if k != key}
        out[only_troubles(readers.READERS[reader], json.dumps(without).encode())] += 1
    # What a later version adds is passed over; what an earlier one did not write yet has a default.
    newer = json.loads(json.dumps(saved))
    newer["weather"] = {"sun": True}
    newer["holes"][0]["depth_mm"] = 18.0
    older = json.loads(json.dumps(saved))
    for hole in older["holes"]:
        for optional in ("doubts", "out_of_round_mm", "u_diameter_mm", "corner"):
            hole.pop(optional, None)
    older.pop("made_by")
    for good in (newer, older):
        if only_troubles(readers.READERS["saved measurement"], json.dumps(good).encode()) != "read":
            raise Broken("a measurement of another version of the same schema was refused")
        out["read"] += 1
    return out


def _job_folders(much: float, seed: int) -> Outcome:
    """A job's files spoiled one or several at a time; the sheet of it, or a sentence."""
    chance = random.Random(seed)
    out: Outcome = Counter()
    with tempfile.TemporaryDirectory() as name:
        parent = Path(name)
        job = surroundings.make_job(parent)
        good = {p.name: p.read_bytes() for p in job.folder.iterdir() if p.is_file()}
        good |= {"tape.txt": readers.TAPE_FILE.encode(), "notes.txt": "Notizen äöü\n".encode()}
        texts = [n for n in good if not n.startswith("photo") and n != ".lock"]
        for i in range(int(120 * much)):
            for file, data in good.items():
                (job.folder / file).write_bytes(data)
            spoiled = chance.sample(texts, chance.choice((1, 1, 2)))
            for file in spoiled:
                if file.endswith(".json") and chance.random() < 0.8:
                    data = mutants.json_text(mutants.json_spoiled(json.loads(good[file]), chance), chance).encode()
                else:
                    data = mutants.bytes_spoiled(good[file], chance)
                (job.folder / file).write_bytes(data)
            before = {f: (job.folder / f).read_bytes() for f in ("job.json", "tape.txt", "notes.txt")}
            try:
                ended = hold(in_process(["sheet", str(job.folder)]))
                if any((job.folder / f).read_bytes() != data for f, data in before.items()):
                    raise Broken("what the worker put in was changed")
            except Broken as e:
                kept = [str(keep((job.folder / f).read_bytes(), f"job-{i}-{f}")) for f in spoiled]
                raise Broken(f"{e}; kept as {', '.join(kept)}") from e
            out["read" if ended.status == 0 else "refused"] += 1
    return out


_OPTIONS = (
    "--card", "--between", "--corners", "--pitch", "--hole", "--six-inches", "--along", "--thickness", "--strands",
    "--front", "--ring", "--across", "--deep", "--corner-holes", "--allowance", "--hank", "--chairs", "--rate",
    "--extra", "--currency", "--cane", "--binder", "--name", "--date", "--notes", "--decide", "--port", "--couch-every",
)  # fmt: skip
_VERBS = ("measure", "look", "size", "tape", "plan", "sheet", "charts")


def _command_lines(much: float, seed: int) -> Outcome:
    """Verbs with any options holding anything; nothing is there to be measured, so each ends at once."""
    out: Outcome = Counter()
    sensible = {
        "size": ["--pitch", "1/2", "--hole", "3/16"], "tape": ["--pitch", "1/2"], "plan": ["--pitch", "1/2in"],
        "measure": ["none.jpg"], "look": ["none.jpg"], "sheet": ["none.json"], "charts": [],
    }  # fmt: skip
    known = {verb: _options_of(verb) for verb in _VERBS}

    def check(verb: str, pairs: list[tuple[str, str]]) -> None:
        arguments = [verb, *sensible[verb]]
        for option, value in pairs:
            if option in known[verb] or len(option) % 5 == 0:
                arguments += [f"{option}={value}"]
        ended = hold(in_process(arguments))
        out[f"exit status {ended.status}"] += 1

    inputs = st.lists(st.tuples(st.sampled_from(_OPTIONS), _TYPED), max_size=4)
    settings(
        max_examples=max(40, int(3000 * much)), deadline=None, database=None, suppress_health_check=list(HealthCheck)
    )(given(st.sampled_from(_VERBS), inputs)(check))()
    return out


def _options_of(verb: str) -> set[str]:
    from holecount import cli

    command = cli.app.get_command(None, verb)  # type: ignore[arg-type]
    assert command is not None
    return {o for p in command.params for o in p.opts}


def _surroundings(function: Callable[[], int]) -> Callable[[float, int], Outcome]:
    return lambda much, seed: Counter({"done": function()})


def _killed(much: float, seed: int) -> Outcome:
    return Counter({"done": surroundings.kills(max(3, int(100 * much)), seed)})


def _interrupted(much: float, seed: int) -> Outcome:
    return Counter({"done": surroundings.interrupts(max(3, int(40 * much)), seed)})


def campaigns() -> list[Campaign]:
    """All of them, in the order in which they are run."""
    refused = "a sentence and exit status 3 or 4, nothing past Python on standard error"
    out = [
        Campaign(
            name="known photographs",
            expects=f"the right one of exit status 3 and 4, one sentence, below {PEAK_MB} MB",
            run=_known_photos,
        )
    ]
    for form in photos.formats():
        out.append(Campaign(name=f"{form}, bytes spoiled", expects=f"read, or {refused}", run=_spoiled_photos(form)))
        out.append(Campaign(name=f"{form}, cut off", expects=f"read, or {refused}", run=_cut_photos(form)))
    sentence = "read, or one readable sentence"
    for reader in readers.READERS:
        if reader == "photograph":
            continue
        out.append(Campaign(name=f"{reader}, bytes spoiled", expects=sentence, run=_spoiled_texts(reader)))
        if reader in ("fix file", "saved measurement", "job"):
            out.append(Campaign(name=f"{reader}, entries spoiled", expects=sentence, run=_spoiled_json(reader)))
        if reader not in ("jpeg segments", "exif"):
            out.append(Campaign(name=f"{reader}, by hypothesis", expects=sentence, run=_hypothetical(reader)))
    for reader in readers.READERS:
        n = {"photograph": 20_000, "job": 5_000}.get(reader, 50_000)
        out.append(Campaign(name=f"{reader}, coverage-guided", expects=sentence, run=_guided(reader, n)))
    out += [
        Campaign(name="older and newer schemas", expects=sentence, run=_schemas),
        Campaign(name="saved measurements through every verb", expects=sentence, run=_saved_measurements),
        Campaign(name="jobs with spoiled files", expects=f"{sentence}; what was entered stays", run=_job_folders),
        Campaign(name="command lines, by hypothesis", expects="exit status 0, 2 or 4", run=_command_lines),
    ]
    for function, expects in (
        (surroundings.odd_names, "done"),
        (surroundings.not_files, "exit status 4, one sentence"),
        (surroundings.read_only_folder, "exit status 5, one sentence"),
        (surroundings.full_disk, "exit status 5, one sentence, the old file whole, nothing left behind"),
        (surroundings.too_large_a_file, "exit status 5, one sentence, the old file whole, nothing left behind"),
        (surroundings.full_device, "exit status 5, one sentence"),
        (surroundings.closed_output, "no word, no traceback"),
        (surroundings.two_at_once, "one wins, what it wrote is whole, the others say so"),
        (surroundings.kills_at_every_step, "old file whole or new file whole; the next save works"),
        (surroundings.little_memory, "done, or a sentence that memory is short"),
    ):
        name = function.__name__.replace("_", " ")
        out.append(Campaign(name=name, expects=expects, run=_surroundings(function)))
    out.append(Campaign(name="kills at random", expects="old file whole or new file whole", run=_killed))
    out.append(Campaign(name="Ctrl-C at random", expects="exit status 130 and one sentence, or done", run=_interrupted))
    return out
