"""Who gets in and who does not; asked over HTTP without a browser."""

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import made_measurement as made
import numpy as np
import pytest

pytest.importorskip("flask", reason="the page's packages are not installed: pip install holecount[page]")

from flask.testing import FlaskClient

from holecount import jobs
from holecount.jobs import JobSettings
from holecount.page.app import PageSettings, create_app, file_address
from holecount.page.bench import Bench
from holecount.page.guard import COOKIE, Guard
from holecount.photo import ReadSettings

HOST = "127.0.0.1:8417"


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path / "jobs", ReadSettings(most_px=2_000_000))
    yield made
    made.close()


def visitor(bench: Bench, guard: Guard, **settings: Any) -> FlaskClient:
    return create_app(bench, guard, PageSettings(**settings)).test_client()


@pytest.fixture
def guard() -> Guard:
    return Guard(hosts={HOST})


@pytest.fixture
def client(bench: Bench, guard: Guard) -> FlaskClient:
    return visitor(bench, guard)


def ask(client: FlaskClient, way: str = "/", method: str = "GET", **headers: str) -> Any:
    return client.open(way, method=method, headers={"Host": HOST, **headers})


def photo() -> bytes:
    noise = np.random.default_rng(3).integers(0, 255, (300, 400, 3), dtype=np.uint8)
    return bytes(cv2.imencode(".png", noise)[1].tobytes())


def test_the_page_is_sealed(client: FlaskClient) -> None:
    answer = ask(client)
    assert answer.status_code == 200
    policy = answer.headers["Content-Security-Policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert "http" not in policy
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    assert answer.headers["X-Frame-Options"] == "DENY"
    assert answer.headers["Cross-Origin-Resource-Policy"] == "same-origin"
    assert answer.headers["Cache-Control"] == "no-store"
    assert "<script>" not in answer.text
    assert "style=" not in answer.text
    assert "http" not in answer.text.replace("http-equiv", "")


@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:8417", "127.0.0.1:9999", "localhost", "", "127.0.0.1:8417.evil.example"]
)
def test_other_names_for_this_machine_are_not_answered(client: FlaskClient, host: str) -> None:
    assert client.get("/", headers={"Host": host}).status_code in (400, 403)


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": "https://127.0.0.1:8417"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
        {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate", "Sec-Fetch-Dest": "iframe"},
    ],
)
def test_other_sites_get_nothing(client: FlaskClient, guard: Guard, headers: dict[str, str]) -> None:
    assert ask(client, **headers).status_code == 403
    assert ask(client, "/api/jobs", "POST", **headers, **{"X-Holecount-Token": guard.token}).status_code == 403


def test_a_link_from_elsewhere_may_lead_here(client: FlaskClient) -> None:
    how = {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate", "Sec-Fetch-Dest": "document"}
    assert ask(client, **how).status_code == 200
    assert ask(client, "/api/jobs", "POST", **how).status_code == 403


@pytest.mark.parametrize("token", [None, "", "x", "ä"])
def test_changes_need_the_token(client: FlaskClient, bench: Bench, token: str | None) -> None:
    headers = {"Host": HOST} | ({} if token is None else {"X-Holecount-Token": token.encode().decode("latin-1")})
    assert client.post("/api/jobs?name=x", data=photo(), headers=headers).status_code == 403
    assert bench.jobs() == []


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"])
def test_only_reading_and_posting(client: FlaskClient, method: str) -> None:
    assert ask(client, "/", method).status_code in (403, 405)


def posted(client: FlaskClient, guard: Guard, way: str, data: bytes) -> Any:
    return client.post(way, data=data, headers={"Host": HOST, "X-Holecount-Token": guard.token})


def test_an_upload_becomes_a_job_and_is_never_handed_out(client: FlaskClient, guard: Guard, bench: Bench) -> None:
    data = photo() + b"<script>alert(1)</script>"
    answer = posted(client, guard, "/api/jobs?name=x", data)
    assert answer.status_code == 201
    job = bench.jobs()[0]
    assert job.photo().read_bytes() == data
    key = json.loads(ask(client, f"/api/jobs/{job.name}?wait=1").text)["picture"]["key"]
    tile = ask(client, f"/api/jobs/{job.name}/tiles/{key}/whole.jpg")
    assert tile.content_type == "image/jpeg"
    assert tile.data[:3] == b"\xff\xd8\xff"
    assert b"script" not in tile.data
    assert tile.headers["X-Content-Type-Options"] == "nosniff"
    assert "sandbox" in tile.headers["Content-Security-Policy"]
    for name in ("photo.png", "job.json", "..%2f..%2fetc%2fpasswd", "photo"):
        assert ask(client, f"/job/{job.name}/{name}").status_code == 404


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"<svg onload=alert(1)>",
        b"GIF89a" + b"\0" * 100,
        b"\xff\xd8\xff",
        b"MZ" + b"\0" * 200,
        b"PK\x03\x04" + b"\0" * 99,
        b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR" + (30_000).to_bytes(4, "big") * 2 + b"\x08\x02\0\0\0" + b"\0" * 40,
    ],
)
def test_what_is_no_photograph_leaves_nothing(client: FlaskClient, guard: Guard, bench: Bench, data: bytes) -> None:
    answer = posted(client, guard, "/api/jobs?name=x", data)
    assert answer.status_code == 422
    assert json.loads(answer.text)["what"]
    assert bench.jobs() == []


def test_too_many_pixels_are_refused_before_they_are_decoded(client: FlaskClient, guard: Guard, bench: Bench) -> None:
    big = np.zeros((1500, 2000, 3), np.uint8)
    answer = posted(client, guard, "/api/jobs?name=x", bytes(cv2.imencode(".jpg", big)[1].tobytes()))
    assert answer.status_code == 422
    assert "megapixels" in json.loads(answer.text)["what"]
    assert bench.jobs() == []


def test_too_many_bytes_are_refused(bench: Bench, guard: Guard) -> None:
    client = visitor(bench, guard, most_upload_bytes=1000, most_change_bytes=100)
    assert posted(client, guard, "/api/jobs?name=x", photo()).status_code in (413, 422)
    assert bench.jobs() == []


@pytest.mark.parametrize("name", ["..", "%2e%2e", "..%2f..", ".hidden", "x" * 300, "nothing", "a%00b", "job.json"])
def test_names_lead_nowhere_else(client: FlaskClient, name: str) -> None:
    for way in (f"/api/jobs/{name}", f"/job/{name}", f"/job/{name}/sheet.html", f"/api/jobs/{name}/tiles/0/0/0/0.jpg"):
        assert ask(client, way).status_code in (308, 404)


def test_own_files_alone_are_served(client: FlaskClient) -> None:
    assert ask(client, file_address("page.css")).status_code == 200
    for way in ("/page/x/page.css", "/page/x/app.py", "/page/x/..%2fapp.py", "/static/page.css"):
        assert ask(client, way).status_code == 404


def test_one_job_that_cannot_be_read_takes_nothing_from_the_others(
    client: FlaskClient, bench: Bench, tmp_path: Path
) -> None:
    good = jobs.create(bench.folder, photo(), JobSettings(name="Good", date="2026-11-25"))
    good.save_measurement(made.plain(), good.inputs())
    half = jobs.create(bench.folder, photo(), JobSettings(name="Half typed", date="2026-11-25"))
    half.save_inputs(replace(half.inputs(), tape="pitch about so much"))
    half.save_measurement(made.plain(), half.inputs())
    torn = jobs.create(bench.folder, photo(), JobSettings(name="Torn"))
    torn.save_measurement(made.plain(), torn.inputs())
    torn.path("measurement.json").write_text("{", encoding="utf-8")
    start, several = ask(client).text, ask(client, "/set")
    assert start.count("cane 2") == 2  # half typed readings are left out of the size
    assert "Half typed" in start
    assert "not a saved measurement" in start
    assert several.status_code == 200
    assert "Half typed" in several.text
    assert "2 seats" in several.text


def test_names_in_pages_stay_text(client: FlaskClient, guard: Guard) -> None:
    posted(client, guard, "/api/jobs?name=%3Cscript%3Ealert(1)%3C/script%3E", photo())
    assert "<script>alert" not in ask(client).text
    assert "&lt;script&gt;alert" in ask(client).text


# ---- letting a phone in ----


@pytest.fixture
def closed() -> Guard:
    return Guard(hosts={HOST}, needs_pass=True)


def test_without_a_pass_nothing_is_seen(bench: Bench, closed: Guard) -> None:
    client = visitor(bench, closed)
    for way in ("/", "/set", "/job/x", "/api/jobs/x", "/api/jobs/x/tiles/0/0/0/0.jpg"):
        assert ask(client, way).status_code == 401
    assert posted(client, closed, "/api/jobs?name=x", photo()).status_code == 401
    assert ask(client, **{"Cookie": f"{COOKIE}=guess"}).status_code == 401


def test_an_invitation_lets_one_device_in_once(bench: Bench, closed: Guard) -> None:
    secret = closed.invitation()
    phone = visitor(bench, closed)
    assert ask(phone, f"/open/{secret}").status_code == 200  # looking at it, as previews do, does not use it up
    assert ask(phone, f"/open/{secret}").status_code == 200
    assert ask(phone).status_code == 401
    entered = phone.post("/open", data={"secret": secret}, headers={"Host": HOST, "Origin": f"http://{HOST}"})
    assert entered.status_code == 303
    cookie = entered.headers["Set-Cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    assert secret not in cookie
    shown = cookie.split(";")[0]
    assert ask(phone, Cookie=shown).status_code == 200

    second = visitor(bench, closed)
    assert ask(second, f"/open/{secret}").status_code == 401
    assert second.post("/open", data={"secret": secret}, headers={"Host": HOST}).status_code == 401
    assert ask(second).status_code == 401


def test_another_site_cannot_use_an_invitation(bench: Bench, closed: Guard) -> None:
    secret = closed.invitation()
    client = visitor(bench, closed)
    answer = client.post("/open", data={"secret": secret}, headers={"Host": HOST, "Origin": "http://evil.example"})
    assert answer.status_code == 403
    assert ask(client, f"/open/{secret}").status_code == 200


@pytest.mark.parametrize("secret", ["", "x", "../open", "ü" * 50])
def test_wrong_secrets_are_refused(bench: Bench, closed: Guard, secret: str) -> None:
    closed.invitation()
    assert visitor(bench, closed).post("/open", data={"secret": secret}, headers={"Host": HOST}).status_code == 401


def test_secrets_are_long_and_never_the_same() -> None:
    guard = Guard()
    made = {guard.invitation() for _ in range(100)}
    assert len(made) == 100
    assert min(map(len, made)) >= 22  # 128 bits
