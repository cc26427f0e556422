"""The bench page's addresses: each hands a request to the bench and its answer to the browser."""

import datetime
import hashlib
import json
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any
from urllib.parse import quote

from flask import Flask, Response, g, redirect, request

from holecount import jobs, tally
from holecount.jobs import JobSettings
from holecount.measurement import Measurement
from holecount.overlay import draw_marked, encode
from holecount.page import guard as gate
from holecount.page.bench import Bench, OpenJob, View
from holecount.page.edits import Stale
from holecount.page.guard import Guard
from holecount.page.state import choices, decided, render, state_of
from holecount.photo import ReadSettings, photo_from_bytes
from holecount.sheet import Seat, render_set, set_of
from holecount.sheet.content import seat_size_line
from holecount.sheet.of_job import sheet_of
from holecount.sheet.plots import round_the_seat
from holecount.sheet.strand_pages import StrandPages
from holecount.troubles import BadInput, Trouble


@dataclass(frozen=True, slots=True, kw_only=True)
class PageSettings:
    """Limits of the page.

    Attributes
    ----------
    most_upload_bytes : int
        Of one photograph: 50 megapixels as a phone's JPEG are some 25 million, as a 16-bit PNG 200. Derived.
    most_change_bytes : int
        Of one change: notes of 20 000 characters and then some. Derived.
    wait_s : float
        How long an answer waits for measuring to be done before it says so far. Own choice: longer than a correction
        takes, shorter than people wait.
    """

    most_upload_bytes: int = 200_000_000
    most_change_bytes: int = 400_000
    wait_s: float = 1.5


def create_app(bench: Bench, guard: Guard, settings: PageSettings | None = None) -> Flask:
    """The page as a WSGI application."""
    s = settings or PageSettings()
    app = Flask("holecount.page", static_folder=None, template_folder=None)
    app.config["MAX_CONTENT_LENGTH"] = s.most_upload_bytes

    @app.before_request
    def look_at_the_door() -> Response | None:
        g.policy = gate.POLICY
        objection = guard.objection(request)
        if objection:
            return _refusal(403, objection)
        if request.path.startswith(("/open/", "/page/")) or request.path in ("/open", "/favicon.ico"):
            return None
        if not guard.has_pass(request):
            return _refusal(401, "This device was not let in.", "Scan the code that the program shows in its terminal.")
        if request.method == "POST" and not guard.may_change(request):
            return _refusal(403, "The page is out of date.", "Reload it.")
        return None

    @app.after_request
    def seal(response: Response) -> Response:
        for name, value in gate.HEADERS.items():
            response.headers[name] = value
        response.headers["Content-Security-Policy"] = g.get("policy", gate.PICTURE_POLICY)
        response.headers.setdefault("Cache-Control", "no-store")
        return response

    @app.errorhandler(Trouble)
    def say_trouble(t: Trouble) -> Response:
        status = 409 if isinstance(t, Stale) else 507 if t.exit_code == 5 else 422
        return _refusal(status, t.what, t.hint)

    @app.errorhandler(_NoJob)
    def no_job(_: Exception) -> Response:
        return _refusal(404, "There is no such job.", "Go back to the start of the bench page.")

    @app.errorhandler(404)
    def not_found(_: Exception) -> Response:
        return _refusal(404, "There is nothing here.", "Go back to the start of the bench page.")

    @app.errorhandler(405)
    def not_so(_: Exception) -> Response:
        return _refusal(405, "That cannot be done here.")

    @app.errorhandler(413)
    def too_much(_: Exception) -> Response:
        return _refusal(
            413, f"That is more than {s.most_upload_bytes // 1_000_000} MB.", "Save the photograph as a JPEG."
        )

    @app.errorhandler(Exception)
    def fault(e: Exception) -> Response:
        app.logger.exception("fault")
        return _refusal(500, f"The program failed ({type(e).__name__}).", "What you entered is kept. Reload the page.")

    _add_files(app)
    _add_door(app, guard)
    _add_pages(app, bench, guard)
    _add_jobs(app, bench, s)
    _add_made(app, bench)
    return app


def _refusal(status: int, what: str, hint: str = "") -> Response:
    """Why not, as JSON for the page's own requests and as a page otherwise."""
    g.policy = gate.POLICY
    if request.path.startswith("/api/"):
        response = _json({"what": what, "hint": hint})
    else:
        response = _html(render("refusal.html.j2", what=what, hint=hint, css=file_address("page.css")))
    response.status_code = status
    return response


def _json(value: Any) -> Response:
    return Response(
        json.dumps(value, allow_nan=False, ensure_ascii=False), content_type="application/json; charset=utf-8"
    )


def _html(text: str) -> Response:
    return Response(text, content_type="text/html; charset=utf-8")


_FILES = {
    "page.css": "text/css",
    "start.js": "text/javascript",
    "job.js": "text/javascript",
    "picture.js": "text/javascript",
}


@cache
def _file(name: str) -> tuple[bytes, str]:
    """One of the page's own files, and a fingerprint of it."""
    data = resources.files("holecount.page").joinpath("static", name).read_bytes()
    return data, hashlib.sha256(data).hexdigest()[:12]


def file_address(name: str) -> str:
    """Where the browser gets a file of ours; changes with its content, so it may be kept for long."""
    return f"/page/{_file(name)[1]}/{name}"


def _add_files(app: Flask) -> None:
    @app.get("/page/<mark>/<name>")
    def own_file(mark: str, name: str) -> Response:
        if name not in _FILES or _file(name)[1] != mark:
            return _refusal(404, "There is no such file.")
        response = Response(_file(name)[0], content_type=f"{_FILES[name]}; charset=utf-8")
        response.headers["Cache-Control"] = "public, max-age=31536000, immutable"
        return response

    @app.get("/favicon.ico")
    def no_icon() -> Response:
        return Response(status=204)


def _add_door(app: Flask, guard: Guard) -> None:
    """How a device is let in: the address leads to a page with a button, so that a preview does not use it up."""

    def not_invited() -> Response:
        return _refusal(
            401, "This address was used already, or never was good.", "Scan the newest code in the terminal."
        )

    @app.get("/open/<secret>")
    def door(secret: str) -> Response:
        if not guard.is_invited(secret):
            return not_invited()
        return _html(render("door.html.j2", secret=secret, css=file_address("page.css")))

    @app.post("/open")
    def enter() -> Response:
        made = guard.let_in(request.form.get("secret", "")[:200])
        if made is None:
            return not_invited()
        response = redirect("/", code=303)
        response.set_cookie(gate.COOKIE, made, httponly=True, samesite="Strict", max_age=60 * 60 * 24 * 30)
        made_response: Response = response  # type: ignore[assignment]
        return made_response


def _add_pages(app: Flask, bench: Bench, guard: Guard) -> None:
    def shell(template: str, script: tuple[str, ...], **what: Any) -> Response:
        return _html(
            render(
                template,
                css=file_address("page.css"),
                scripts=[file_address(name) for name in script],
                token=guard.token,
                **what,
            )
        )

    @app.get("/")
    def start() -> Response:
        rows = [_job_row(job) for job in bench.jobs()]
        return shell("start.html.j2", ("start.js",), jobs=rows, folder=str(bench.folder), **choices())

    @app.get("/job/<name>")
    def job(name: str) -> Response:
        settings = _opened(bench, name).job.inputs().settings
        return shell(
            "job.html.j2", ("picture.js", "job.js"), name=name, address=quote(name), settings=settings, **choices()
        )

    @app.get("/set")
    def several() -> Response:
        g.policy = gate.SHEET_POLICY
        seats = []
        for one in bench.jobs():
            try:
                inputs, m = one.inputs(), one.measurement()
            except BadInput:
                continue  # The start page says what is wrong with it.
            if m is not None:
                choice = decided(m, inputs)[0].choice
                seats.append(
                    Seat(
                        name=inputs.settings.name,
                        measurement=m,
                        choice=choice,
                        sheet=f"/job/{quote(one.name)}/sheet.html",
                    )
                )
        if not seats:
            raise BadInput("No job has been measured yet.", "Add a photograph first.")
        return _html(render_set(set_of(seats, name=bench.folder.name, date=_today())))


def _job_row(job: jobs.Job) -> dict[str, str]:
    """One job in the list."""
    try:
        inputs = job.inputs()
        m = job.measurement()
        row = {"name": inputs.settings.name, "date": inputs.settings.date, "address": f"/job/{quote(job.name)}"}
        if m is None:
            return {**row, "words": "not measured"}
        size = seat_size_line(decided(m, inputs)[0].choice)
        return {**row, "words": f"{m.seat.n_holes} holes; cane {size}; {'good' if m.verdict == 'good' else 'check'}"}
    except Trouble as t:
        return {"name": job.name, "date": "", "address": f"/job/{quote(job.name)}", "words": t.what}


def _today() -> str:
    return datetime.date.today().isoformat()


def _add_jobs(app: Flask, bench: Bench, s: PageSettings) -> None:
    @app.post("/api/jobs")
    def new_job() -> Response:
        data = _body(s.most_upload_bytes)
        called = "".join(c for c in request.args.get("file", "") if c.isprintable())[-60:]
        _read_once(data, bench.limits, called=Path(called).name or "the photograph")
        name = request.args.get("name", "")
        settings = jobs.cleaned(JobSettings(name=name, date=_today(), **_scale_asked(request.args.get("scale", ""))))
        job = jobs.create(bench.folder, data, settings)
        response = _json({"address": f"/job/{quote(job.name)}"})
        response.status_code = 201
        return response

    @app.get("/api/jobs/<name>")
    def state(name: str) -> Response:
        opened = _opened(bench, name)
        view = bench.view(opened, wait_s=_seconds(request.args.get("wait", "0"), s.wait_s))
        return _state_response(opened, view)

    @app.post("/api/jobs/<name>")
    def change(name: str) -> Response:
        opened = _opened(bench, name)
        try:
            what = json.loads(_body(s.most_change_bytes))
        except (ValueError, RecursionError) as e:
            raise BadInput("The change cannot be understood.", "Reload the page.") from e
        bench.change(opened, what)
        return _state_response(opened, bench.view(opened, wait_s=s.wait_s, preview=True))

    @app.post("/api/jobs/<name>/old-seat")
    def old_seat(name: str) -> Response:
        opened = _opened(bench, name)
        data = _body(s.most_upload_bytes)
        if data:
            _read_once(data, bench.limits, called="the photograph")
        with opened.job.locked():
            opened.job.save_old_seat(data)
        return _state_response(opened, bench.view(opened))

    @app.post("/api/jobs/<name>/keep")
    def keep(name: str) -> Response:
        """Save sheet and marked photograph into the job's folder."""
        opened = _opened(bench, name)
        view, m = _measured(bench, opened)
        photo = opened.session.photo()
        sheet = sheet_of(opened.job, view.inputs, m, photo=photo, counted=view.counted)
        marked = encode(draw_marked(photo, m), ".jpg")
        with opened.job.locked():
            paths = [opened.job.save_made(jobs.SHEET, sheet), opened.job.save_made(jobs.MARKED, marked)]
        return _json({"saved": [str(p) for p in paths]})

    @app.get("/api/jobs/<name>/tiles/<key>/<int:level>/<int:column>/<int:row>.jpg")
    def tile(name: str, key: str, level: int, column: int, row: int) -> Response:
        return picture(_opened(bench, name), key, lambda o: o.pyramid().tile(level, column, row))

    @app.get("/api/jobs/<name>/tiles/<key>/whole.jpg")
    def whole(name: str, key: str) -> Response:
        return picture(_opened(bench, name), key, lambda o: o.pyramid().whole())

    def picture(opened: OpenJob, key: str, made: Callable[[OpenJob], bytes | None]) -> Response:
        if opened.session.photo().sha256[:16] != key:
            return _refusal(404, "The photograph is another one now.", "Reload the page.")
        data = made(opened)
        if data is None:
            return _refusal(404, "The picture does not reach that far.")
        g.policy = gate.PICTURE_POLICY
        response = Response(data, content_type="image/jpeg")
        response.headers["Cache-Control"] = "private, max-age=86400, immutable"
        return response


class _NoJob(Exception):
    """A job that is not there was asked for."""


def _opened(bench: Bench, name: str) -> OpenJob:
    opened = bench.open(name)
    if opened is None:
        raise _NoJob
    return opened


def _body(most: int) -> bytes:
    """What was sent, no more of it than ``most`` bytes; the length has to be said beforehand."""
    length = request.content_length
    if length is None or length > most:
        raise BadInput(f"More than {most / 1e6:.1f} MB are not taken.", "Save the photograph as a JPEG.")
    return request.get_data(cache=False)


def _read_once(data: bytes, limits: ReadSettings, *, called: str) -> None:
    """Decode an upload to know that it is a photograph within the limits; raises `BadInput` or `UnfitPhoto`.

    ``called`` is only what the complaint calls it.
    """
    if not data:
        raise BadInput("The file is empty.", "Choose another photograph.")
    if len(data) > limits.most_bytes:
        raise BadInput("The file is too large.", "Save it as a JPEG.")
    photo_from_bytes(data, Path(called), limits)


def _scale_asked(text: str) -> dict[str, Any]:
    """What lies on the frame, as chosen on the start page: a known object, or a ruler's divisions."""
    if text in ("mm", "inch"):
        return {"ruler": text}
    return {"cards": (text[:40],)} if text else {}


def _seconds(text: str, most: float) -> float:
    try:
        return min(max(float(text), 0.0), most)
    except ValueError:
        return 0.0


def _state_response(opened: OpenJob, view: View) -> Response:
    return _json(state_of(opened, view))


def _measured(bench: Bench, opened: OpenJob) -> tuple[View, Measurement]:
    """What is known of the job, and its measurement; raises the `Trouble` that keeps it from being measured."""
    view = bench.view(opened, wait_s=60.0)
    if view.trouble is not None:
        raise view.trouble
    if view.measurement is None or not view.settled:
        raise Trouble("The photograph is still being measured.", "Try again in a moment.")
    return view, view.measurement


_Build = Callable[[OpenJob, View, Measurement], bytes | str]
"""Makes what is taken away from a job that has been measured."""


def _add_made(app: Flask, bench: Bench) -> None:
    """What can be taken away from a job; nothing of it is the uploaded file itself."""

    def made(name: str, kind: str, build: _Build, *, file: str = "") -> Response:
        opened = _opened(bench, name)
        response = Response(build(opened, *_measured(bench, opened)), content_type=kind)
        if file:
            response.headers["Content-Disposition"] = f"attachment; filename*=UTF-8''{quote(f'{name}-{file}')}"
        return response

    def build_sheet(opened: OpenJob, view: View, m: Measurement) -> str:
        photo = opened.session.photo()
        drawings = weave(opened, view, m).pages if request.args.get("plan") else ()
        return sheet_of(opened.job, view.inputs, m, photo=photo, counted=view.counted, drawings=drawings)

    def build_marked(opened: OpenJob, view: View, m: Measurement) -> bytes:
        return encode(draw_marked(opened.session.photo(), m), ".jpg")

    def text(write: Callable[[Measurement], str]) -> _Build:
        return lambda opened, view, m: write(m)

    @app.get("/job/<name>/sheet.html")
    def sheet(name: str) -> Response:
        g.policy = gate.SHEET_POLICY
        file = "sheet.html" if request.args.get("take") else ""
        return made(name, "text/html; charset=utf-8", build_sheet, file=file)

    @app.get("/job/<name>/measurement.json")
    def data(name: str) -> Response:
        g.policy = gate.PICTURE_POLICY
        return made(name, "application/json; charset=utf-8", text(tally.to_json), file="measurement.json")

    @app.get("/job/<name>/holes.csv")
    def csv(name: str) -> Response:
        g.policy = gate.PICTURE_POLICY
        return made(name, "text/csv; charset=utf-8", text(tally.to_csv), file="holes.csv")

    @app.get("/job/<name>/marked.jpg")
    def marked(name: str) -> Response:
        g.policy = gate.PICTURE_POLICY
        return made(name, "image/jpeg", build_marked, file="marked.jpg")

    @app.get("/job/<name>/weave/<int:step>.svg")
    def weave_step(name: str, step: int) -> Response:
        g.policy = gate.PICTURE_POLICY

        def build(opened: OpenJob, view: View, m: Measurement) -> str:
            drawn = weave(opened, view, m).drawings
            if not 0 <= step < len(drawn):
                raise BadInput("There is no such step.")
            return drawn[step].svg

        return made(name, "image/svg+xml", build)

    @app.get("/api/jobs/<name>/weave")
    def weave_words(name: str) -> Response:
        opened = _opened(bench, name)
        plan = weave(opened, *_measured(bench, opened))
        html = render("weave.html.j2", weave=plan, name=quote(name), key=opened.made_from[:12])
        return _json({"html": html, "n_steps": len(plan.drawings)})

    def weave(opened: OpenJob, view: View, m: Measurement) -> StrandPages:
        return opened.weave(m, couched=view.inputs.settings.couched)

    @app.get("/job/<name>/round.svg")
    def plot(name: str) -> Response:
        g.policy = gate.PICTURE_POLICY
        return made(name, "image/svg+xml", text(lambda m: round_the_seat(m, width_mm=90.0, height_mm=62.0)))
