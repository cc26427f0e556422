"""Unlucky surroundings: folders that cannot be written, full disks, odd names, two runs at once, kills, closed pipes.

Each function does its worst to real commands in processes of their own and returns how often it did; `Broken` when a
command did not end as it should.
"""

import contextlib
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

from contract import Broken, Ended, as_command, hold, one_sentence

from holecount import jobs, tally

ROOT = Path(__file__).parents[2]
PHOTO = ROOT / "samples" / "round-stool.jpg"
LINUX = sys.platform.startswith("linux")


class Unable(Exception):
    """This machine or user cannot bring these surroundings about; the message says why."""


@contextlib.contextmanager
def workplace() -> Iterator[Path]:
    """A folder with a photograph, a saved measurement, a chart and a job; gone afterwards."""
    with tempfile.TemporaryDirectory(prefix="hostile-") as name:
        folder = Path(name)
        shutil.copy(PHOTO, folder / PHOTO.name)
        (folder / "seat.json").write_text(saved_measurement(), encoding="utf-8")
        yield folder


def saved_measurement() -> str:
    """The photograph's measurement as JSON; made once."""
    if not _SAVED:
        made = as_command(["measure", str(PHOTO), "--as", "json"])
        _SAVED.append(made.out)
    return _SAVED[0]


_SAVED: list[str] = []


def make_job(parent: Path, name: str = "Stuhl Müller, 2. Stück") -> jobs.Job:
    """A job that was measured already."""
    job = jobs.create(parent, PHOTO.read_bytes(), jobs.JobSettings(name=name, date="2026-11-25"))
    m = tally.from_json(saved_measurement())
    with job.locked():
        job.save_measurement(m, job.inputs())
    return job


def saving_commands(given: Path, out: Path) -> list[tuple[list[str], Path]]:
    """Every command that writes a file, with what it writes."""
    photo, saved = str(given / PHOTO.name), str(given / "seat.json")
    return [
        (["measure", photo, "--as", "json", "-o", str(out / "m.json")], out / "m.json"),
        (["measure", photo, "--as", "csv", "--marked", str(out / "m.jpg")], out / "m.jpg"),
        (["measure", photo, photo, "--marked", str(out / "marked")], out / "marked"),
        (["look", photo, "--as", "json", "-o", str(out / "look.json")], out / "look.json"),
        (["size", saved, "-o", str(out / "size.txt")], out / "size.txt"),
        (["tape", "--pitch", "1/2", "--hole", "3/16", "-o", str(out / "tape.txt")], out / "tape.txt"),
        (["plan", saved, "--as", "json", "-o", str(out / "plan.json")], out / "plan.json"),
        (["plan", saved, "--draw", str(out / "drawings")], out / "drawings"),
        (["sheet", saved, "--plan", "-o", str(out / "sheet.html")], out / "sheet.html"),
    ]


@contextlib.contextmanager
def disk(folder: Path, options: str) -> Iterator[None]:
    """A disk of its own on ``folder``, by mounting one in memory; `Unable` for all but root on Linux."""
    done = LINUX and subprocess.run(
        ["mount", "-t", "tmpfs", "-o", options, "none", str(folder)], capture_output=True, check=False
    )
    if not done or done.returncode:
        raise Unable("mounting a disk in memory takes Linux and root")
    try:
        yield
    finally:
        subprocess.run(["umount", str(folder)], check=True)


def read_only_folder(every: int = 1) -> int:
    """Every command that writes, into a folder that cannot be written."""
    n = 0
    with workplace() as here:
        out = here / "read only"
        out.mkdir()
        with contextlib.ExitStack() as stack:
            if os.geteuid() == 0:
                stack.enter_context(disk(out, "size=1m,ro"))
            else:
                out.chmod(0o500)
                stack.callback(out.chmod, 0o700)
            for arguments, _ in saving_commands(here, out)[::every]:
                ended = hold(as_command(arguments), statuses={5})
                if not ended.out:
                    one_sentence(ended.err)
                n += 1
            if list(out.iterdir()):
                raise Broken(f"something in a read-only folder: {list(out.iterdir())}")
    return n


def full_disk(every: int = 1) -> int:
    """Every command that writes, onto a disk that fills up while it writes, over an old file and beside it."""
    n = 0
    with workplace() as here:
        out = here / "small disk"
        out.mkdir()
        with disk(out, "size=256k"):
            _on_full_disk(here, out, every, fill=True)
            n = len(saving_commands(here, out)[::every])
    return n


def too_large_a_file(every: int = 1) -> int:
    """The same with a limit on the size of files instead of a full disk; needs no rights."""
    if not hasattr(os, "fork"):
        raise Unable("there are no such limits here")
    import resource

    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (400, 400))

    with workplace() as here:
        out = here / "out"
        out.mkdir()
        _on_full_disk(here, out, every, preexec_fn=limit)
        return len(saving_commands(here, out)[::every])


def _on_full_disk(here: Path, out: Path, every: int, *, fill: bool = False, **how: object) -> None:
    ballast = out / "ballast"
    for arguments, target in saving_commands(here, out)[::every]:
        is_folder = not target.suffix
        if not is_folder:
            target.write_bytes(b"old")
        if fill:  # To the last byte, so that a file can still be begun: the worst moment to run out.
            with contextlib.suppress(OSError), open(ballast, "wb", buffering=0) as f:
                while True:
                    f.write(b"x" * 4096)
        before = {p for p in out.iterdir() if p != target}
        ended = hold(as_command([*arguments, "--force"], **how), statuses={5})
        if not ended.out:  # Several photographs: a table says it of each.
            one_sentence(ended.err)
        ballast.unlink(missing_ok=True)
        before.discard(ballast)
        if not is_folder and target.read_bytes() != b"old":
            raise Broken(f"{arguments}: the old file is gone")
        if is_folder:
            left = [p for p in target.rglob("*") if p.name.endswith(".part")] if target.exists() else []
            shutil.rmtree(target, ignore_errors=True)
        else:
            target.unlink()
            left = [p for p in out.iterdir() if p not in before]
        if left:
            raise Broken(f"{arguments}: left behind {left}")


def full_device(every: int = 1) -> int:
    """Every command that prints, with standard output on a device that is always full."""
    if not Path("/dev/full").exists():
        raise Unable("there is no /dev/full")
    n = 0
    with workplace() as here:
        for arguments in printing_commands(here)[::every]:
            with open("/dev/full", "w") as full:
                done = subprocess.run(
                    [sys.executable, "-m", "holecount", *arguments], stdout=full, stderr=subprocess.PIPE, text=True,
                    check=False,
                )  # fmt: skip
            if done.returncode != 5:
                raise Broken(f"{arguments}: exit status {done.returncode} on a full device: {done.stderr[-300:]}")
            one_sentence(done.stderr)
            n += 1
    return n


def printing_commands(here: Path) -> list[list[str]]:
    """Every command that prints its result."""
    photo, saved = str(here / PHOTO.name), str(here / "seat.json")
    return [
        ["--help"], ["measure", "--help"], ["measure", photo], ["measure", photo, "--as", "json"],
        ["measure", photo, photo], ["look", photo], ["size", saved], ["tape", "--pitch", "1/2", "--hole", "3/16"],
        ["charts"], ["plan", saved], ["sheet", saved], ["doctor"],
    ]  # fmt: skip


def closed_output(every: int = 1) -> int:
    """Every command that prints, with a reader that goes away at once, and with no standard output at all."""
    n = 0
    with workplace() as here:
        for arguments in printing_commands(here)[::every]:
            process = subprocess.Popen(
                [sys.executable, "-m", "holecount", *arguments], stdout=subprocess.PIPE, stderr=subprocess.PIPE,
                text=True,
            )  # fmt: skip
            assert process.stdout
            process.stdout.close()
            _, err = process.communicate()
            if process.returncode not in (0, -signal.SIGPIPE) or err:
                raise Broken(f"{arguments}: exit status {process.returncode} without a reader: {err[-300:]}")
            n += 1
            if LINUX:
                shell = 'exec "$@" >&-'
                done = subprocess.run(
                    ["sh", "-c", shell, "sh", sys.executable, "-m", "holecount", *arguments], capture_output=True,
                    text=True, check=False,
                )  # fmt: skip
                if done.returncode != 0 or done.stderr:
                    raise Broken(f"{arguments}: exit status {done.returncode}, no output: {done.stderr[-300:]}")
                n += 1
    return n


ODD_NAMES = (
    "two words.jpg", "Stühle für Ähnliche äöüß.jpg", "a'b\"c`d.jpg", "$(touch x) & ; | .jpg", "椅子.jpg", "🪑.jpg",
    "new\nline.jpg", "tab\tbell\a.jpg", "\u202egpj.jpg", "-o.jpg", "--force", "a" * 240 + ".jpg", " .jpg", "x.jpg.jpg",
    "%s%d{0}{{7*7}}.jpg", "<b>&amp;.jpg", "NO ENDING", ".hidden.jpg", "e\u0301.jpg",
)  # fmt: skip


def odd_names() -> int:
    """A photograph, its saved measurement and its sheet under names nobody would give them; some are no text at all."""
    n = 0
    names: list[str] = [*ODD_NAMES, *([os.fsdecode(b"not \xff\xfe text.jpg")] if LINUX else [])]
    with workplace() as here:
        saved = here / "seat.json"
        for name in names:
            folder = here / f"in {n}"
            folder.mkdir()
            photo = folder / name
            shutil.copy(PHOTO, photo)
            ended = hold(as_command(["look", "--as", "json", "--", name], cwd=folder), statuses={0})
            if not ended.out.startswith("{"):
                raise Broken(f"{name!r}: no JSON")
            for inner in ("", "x" * 300):
                hold(as_command(["measure", str(folder / inner / f"none {name}")]), statuses={4})
            base = name[:200]
            shutil.copy(saved, folder / f"{base}.json")
            sized = as_command(["size", str(folder / f"{base}.json"), "-o", str(folder / f"{base}.txt")])
            hold(sized, statuses={0})
            if not (folder / f"{base}.txt").stat().st_size:
                raise Broken(f"{name!r}: no file")
            n += 4
    return n


def not_files() -> int:
    """Folders, pipes, devices, links in a circle and missing things wherever a file is asked for."""
    n = 0
    with workplace() as here:
        (here / "folder").mkdir()
        odd = [here / "folder", here / "none" / "x", here / ("n" * 300), Path("/dev/null"), Path("/dev/zero")]
        if hasattr(os, "mkfifo"):
            os.mkfifo(here / "pipe")
            (here / "circle").symlink_to(here / "circle")
            (here / "dangling").symlink_to(here / "nowhere")
            odd += [here / "pipe", here / "circle", here / "dangling"]
        photo, saved = str(here / PHOTO.name), str(here / "seat.json")
        for path in odd:
            p = str(path)
            for arguments in (
                ["measure", p], ["look", p], ["measure", photo, "--fix", p], ["size", p], ["plan", p], ["sheet", p],
                ["tape", "--readings", p], ["size", saved, "--chart", p], ["sheet", saved, "--photo", p],
                ["sheet", saved, "--readings", p], ["sheet", saved, "--old-seat", p], ["charts", "--chart", p],
            ):  # fmt: skip
                hold(as_command(arguments), statuses={4})
                n += 1
    return n


def two_at_once(runs: int = 4) -> int:
    """Several runs at once write one file: one wins and it is whole; with --force the last wins and it is whole."""
    n = 0
    with workplace() as here:
        target = here / "out.json"
        for force in ([], ["--force"]):
            arguments = ["measure", str(here / PHOTO.name), "--as", "json", "-o", str(target), *force]
            ended = _together([arguments] * runs)
            if not force and sorted(e.status for e in ended) != [0] + [5] * (runs - 1):
                raise Broken(f"runs at once ended with {[e.status for e in ended]}")
            if force and any(e.status for e in ended):
                raise Broken(f"forced runs at once ended with {[e.err for e in ended]}")
            if target.read_text(encoding="utf-8") != saved_measurement():
                raise Broken("what several runs wrote is not whole")
            n += runs
        job = make_job(here / "jobs")
        job.path(jobs.MEASURED).unlink()
        ended = _together([["sheet", str(job.folder), "-o", str(here / f"{k}.html")] for k in range(runs)])
        if any(e.status for e in ended):
            raise Broken(f"runs at once on one job: {[e.err for e in ended]}")
        if job.measurement() is None or not job.is_current(job.inputs()):
            raise Broken("runs at once left the job without its measurement")
        left = [*here.rglob("*.part")]
        if left:
            raise Broken(f"left behind {left}")
        n += runs
    return n


def _together(commands: Sequence[Sequence[str]]) -> list[Ended]:
    running = [
        subprocess.Popen(
            [sys.executable, "-m", "holecount", *c], stdout=subprocess.PIPE, stderr=subprocess.PIPE, encoding="utf-8"
        )
        for c in commands
    ]
    ended = []
    for process in running:
        out, err = process.communicate()
        ended.append(hold(Ended(status=process.returncode, out=out, err=err), statuses={0, 5}))
    return ended


def kills(n: int, seed: int) -> int:
    """A command that writes over an old file is killed at a random moment: the old file whole, or the new one."""
    chance = random.Random(seed)
    with workplace() as here:
        saved = saved_measurement()
        sheet = as_command(["size", str(here / "seat.json")]).out
        plans = [
            (["measure", str(here / PHOTO.name), "--as", "json", "-o"], "m.json", saved),
            (["size", str(here / "seat.json"), "-o"], "size.txt", sheet),
        ]
        for arguments, name, new in plans:
            target = here / name
            begin = time.perf_counter()
            hold(as_command([*arguments, str(target)]), statuses={0})
            lasts = time.perf_counter() - begin
            old = "old\n" * 50_000
            for k in range(n):
                target.write_text(old, encoding="utf-8")
                process = subprocess.Popen(
                    [sys.executable, "-m", "holecount", *arguments, str(target), "--force"],
                    stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
                )  # fmt: skip
                # Most kills fall into the last part, where the file is written.
                time.sleep(lasts * (chance.uniform(0.6, 1.05) if k % 2 else chance.uniform(0.0, 1.0)))
                process.kill()
                process.wait()
                if target.read_text(encoding="utf-8") not in (old, new):
                    raise Broken(f"{name}: half a file after a kill")
            hold(as_command([*arguments, str(target), "--force"]), statuses={0})
            if target.read_text(encoding="utf-8") != new:
                raise Broken(f"{name}: a run after the kills did not write its result")
    return 2 * n


KILLED_SAVER = """
import os, sys
from pathlib import Path
from holecount import saving
target, calls = Path(sys.argv[1]), int(sys.argv[2])
os.getpid = lambda: 4711  # As in a container, where every run has the same one.
own = __import__("_thread").get_native_id()
names = ("open", "fsync", "link", "replace", "unlink", "rename")
left = [calls]
def hooked(event, arguments):
    # Every step the saving takes on the disk is one of these events: die before the chosen one.
    if event in ("open", "os.link", "os.rename", "os.remove", "os.truncate") and str(target.parent) in str(arguments):
        left[0] -= 1
        if left[0] == 0:
            os.kill(own, 9)
sys.addaudithook(hooked)
real = os.fsync
def fsync(fd):
    left[0] -= 1
    if left[0] == 0:
        os.kill(own, 9)
    real(fd)
os.fsync = fsync
saving.save(target, "new" * 10_000, force=sys.argv[3] == "force")
"""
"""Saves a file and dies by its own hand before the n-th step on the disk."""


def kills_at_every_step() -> int:
    """A save killed before its first, second, ... step on the disk, with and without an old file; then a good one."""
    if not hasattr(signal, "SIGKILL"):
        raise Unable("there is no SIGKILL here")
    n = 0
    for force in ("force", "new"):
        for step in range(1, 20):
            with tempfile.TemporaryDirectory() as name:
                target = Path(name) / "result.json"
                if force == "force":
                    target.write_text("old" * 10_000, encoding="utf-8")
                done = subprocess.run([sys.executable, "-c", KILLED_SAVER, str(target), str(step), force], check=False)
                content = target.read_text(encoding="utf-8") if target.exists() else None
                if content not in ((None,) if force == "new" else ("old" * 10_000,)) and content != "new" * 10_000:
                    raise Broken(f"killed at step {step}: half a file")
                if done.returncode == 0:
                    break
                n += 1
                if content is None or force == "force":
                    # What the killed run left behind is in nobody's way, whatever the next process is called.
                    for _ in range(2):
                        again = subprocess.run(
                            [sys.executable, "-c", KILLED_SAVER, str(target), "99", "force"], check=False
                        )
                        if again.returncode or target.read_text(encoding="utf-8") != "new" * 10_000:
                            raise Broken(f"after a kill at step {step} nothing can be saved")
        else:
            raise Broken("a save takes more steps than were tried")
    return n


def interrupts(n: int, seed: int) -> int:
    """Ctrl-C at random moments: exit status 130 and one sentence, or done; no half a file."""
    if not hasattr(signal, "SIGINT") or sys.platform == "win32":
        raise Unable("no such signals here")
    chance = random.Random(seed)
    with workplace() as here:
        target = here / "m.json"
        arguments = ["measure", str(here / PHOTO.name), "--as", "json", "-o", str(target)]
        for _ in range(n):
            target.unlink(missing_ok=True)
            process = subprocess.Popen(
                [sys.executable, "-m", "holecount", *arguments], stdout=subprocess.PIPE, stderr=subprocess.PIPE,
                encoding="utf-8",
            )  # fmt: skip
            # Not before the command's own code runs: until then the interpreter itself answers.
            time.sleep(chance.uniform(0.25, 1.0))
            process.send_signal(signal.SIGINT)
            _, err = process.communicate()
            # Interrupted while a dataclass is being made (`exec` of a text), `python -m` ends by the signal, whoever
            # caught it (`_Py_UnhandledKeyboardInterrupt` in CPython's main.c); a shell shows 130 for either.
            if process.returncode in (130, -signal.SIGINT):
                one_sentence(err.lstrip("\n"))  # After the ^C that a terminal shows.
                if target.exists() and target.read_text(encoding="utf-8") != saved_measurement():
                    raise Broken("half a file after Ctrl-C")
            elif process.returncode != 0:
                raise Broken(f"Ctrl-C: exit status {process.returncode}: {err[-400:]}")
    return n


PEAK = """
import resource, subprocess, sys
limit = int(sys.argv[1])
def bound():
    if limit:
        resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
done = subprocess.run(sys.argv[2:], preexec_fn=bound, capture_output=True, text=True)
print(done.returncode, resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)
sys.stderr.write(done.stderr)
"""
"""Runs a command from a small process and prints its exit status and the most memory it held, in kB (Linux)."""


def peak_mb(arguments: Sequence[str], limit_mb: int = 0) -> tuple[Ended, float]:
    """A command's end and the most memory it held, in MB."""
    if not LINUX:
        raise Unable("memory is measured on Linux")
    done = subprocess.run(
        [sys.executable, "-c", PEAK, str(limit_mb * 1_000_000), sys.executable, "-m", "holecount", *arguments],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    status, peak = done.stdout.split()
    return Ended(status=int(status), out="", err=done.stderr), int(peak) / 1000


def little_memory() -> int:
    """Address space limited ever tighter: the command is done, or says that memory is short."""
    n = 0
    with workplace() as here:
        for limit_mb in (2000, 1000, 700, 500, 400, 300, 250, 200, 150, 120, 100):
            ended, _ = peak_mb(["measure", str(here / PHOTO.name)], limit_mb)
            if ended.status == 1 and "OpenBLAS error" not in ended.err:  # That one ends the process itself.
                if "not enough memory" not in ended.err:
                    raise Broken(f"{limit_mb} MB: {ended.err[-500:]}")
                one_sentence(ended.err)
            elif ended.status not in (0, 1, 127, -signal.SIGABRT, -signal.SIGSEGV) or "Traceback" in ended.err:
                # 127 and signals: the system's own loader ends the process before we are asked.
                raise Broken(f"{limit_mb} MB: exit status {ended.status}: {ended.err[-500:]}")
            n += 1
    return n
