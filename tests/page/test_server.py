"""Who may ask, what is written, what is never lost: the page without a browser."""

from __future__ import annotations

import contextlib
import json
import math
import os
import re
import select
import signal
import socket
import subprocess
import sys
import time
import tomllib
import urllib.error
import urllib.request
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import tomlkit
from starlette.testclient import TestClient

import flowkit
from flowkit.page.routes import Guard, make_app
from flowkit.page.workspace import Workspace
from flowkit.samples import sample_folder

from .browsing import MESSY

SECRET = "the-secret"
HOST = "127.0.0.1:8123"
ORIGIN = {"origin": f"http://{HOST}"}


def client_of(folder: Path, **options: Any) -> TestClient:
    """A browser with the cookie, on the folder's page."""
    guard = Guard(make_app(Workspace(folder)), secret=SECRET, **options)
    client = TestClient(guard, base_url=f"http://{HOST}", follow_redirects=True)
    answer = client.get(f"/?key={SECRET}")
    assert answer.status_code == 200
    client.headers.update(ORIGIN)
    return client


@pytest.fixture
def client(folder: Path) -> TestClient:
    return client_of(folder)


def version_of(client: TestClient, path: str = "/sheets") -> str:
    """What a form of the page carries."""
    found = re.search(r'name="version" value="([0-9a-f]+)"', client.get(path).text)
    assert found is not None
    return found.group(1)


def dropped(client: TestClient, *files: tuple[str, bytes]) -> Any:
    """Drop files."""
    return client.post("/sheets/add", files=[("files", (name, content)) for name, content in files])


def sample(client: TestClient) -> None:
    """Drop the sample's sheets."""
    dropped(client, *((name, (sample_folder() / name).read_bytes()) for name in ("as_received.csv", "after_work.xlsx")))


# -- who may ask


def test_nothing_is_shown_without_the_key(folder: Path) -> None:
    (folder / "secret_sheet.csv").write_text(MESSY)
    client = TestClient(Guard(make_app(Workspace(folder)), secret=SECRET), base_url=f"http://{HOST}")
    for path in ("/", "/sheets", "/static/page.css", "/file/a.png", "/?key=wrong", "/sheets?key="):
        answer = client.get(path)
        assert answer.status_code == 403 and "secret_sheet" not in answer.text, path


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1", "127.0.0.1:80", "127.0.0.1.evil.example:8123", ""])
def test_a_foreign_host_is_refused_even_with_the_key(folder: Path, host: str) -> None:
    client = client_of(folder)
    assert client.get("/sheets", headers={"host": host}).status_code == 403
    assert client.get(f"/?key={SECRET}", headers={"host": host}).status_code == 403


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "http://127.0.0.1:9999", "https://" + HOST])
def test_another_sites_form_is_refused(folder: Path, origin: str) -> None:
    client = client_of(folder)
    before = version_of(client)
    answer = client.post("/display", data={"display": "metric", "version": before}, headers={"origin": origin})
    assert answer.status_code == 403
    assert not (folder / "job.toml").exists()


def test_a_form_without_an_origin_counts_only_from_the_page_itself(folder: Path) -> None:
    client = client_of(folder)
    del client.headers["origin"]
    data = {"display": "metric", "version": version_of(client)}
    assert client.post("/display", data=data).status_code == 403
    assert client.post("/display", data=data, headers={"sec-fetch-site": "same-site"}).status_code == 403
    assert client.post("/display", data=data, headers={"sec-fetch-site": "same-origin"}).status_code == 200


def test_every_answer_carries_the_policy(client: TestClient, folder: Path) -> None:
    (folder / "IMG.png").write_bytes(b"\x89PNG\r\n\x1a\n")
    for path in ("/sheets", "/result", "/static/page.js", "/nothing", "/file/IMG.png"):
        headers = client.get(path).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy and "unsafe" not in policy, path
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["cache-control"] == "no-store"
    cookie = client_of(folder)
    answer = TestClient(cookie.app, base_url=f"http://{HOST}", follow_redirects=False).get(f"/?key={SECRET}")
    said = answer.headers["set-cookie"].lower()
    assert "httponly" in said and "samesite=strict" in said and SECRET not in said
    assert SECRET not in answer.headers["location"]


@pytest.mark.parametrize(
    "path",
    ["/file/../secret.png", "/file/%2e%2e/secret.png", "/file/..%2fsecret.png", "/file//etc/passwd", "/file/.x.png"],
)
def test_no_path_leaves_the_folder(client: TestClient, folder: Path, path: str) -> None:
    (folder.parent / "secret.png").write_bytes(b"\x89PNGsecret")
    (folder / ".x.png").write_bytes(b"\x89PNGsecret")
    answer = client.get(path)
    assert answer.status_code == 404 and b"PNG" not in answer.content


def test_a_link_out_of_the_folder_is_not_followed(client: TestClient, folder: Path) -> None:
    (folder.parent / "secret.png").write_bytes(b"\x89PNGsecret")
    (folder / "link.png").symlink_to(folder.parent / "secret.png")
    assert b"secret" not in client.get("/file/link.png").content


@pytest.mark.parametrize("back", ["//evil.example", "https://evil.example", "/\\evil.example", "javascript:alert(1)"])
def test_no_form_leads_to_another_site(folder: Path, back: str) -> None:
    client = client_of(folder)
    client.follow_redirects = False
    data = {"display": "metric", "version": version_of(client), "back": back}
    assert not client.post("/undo", data=data).headers["location"].startswith(("//", "http", "/\\", "java"))
    # An address of our own is also what a good answer goes to.
    answer = client.post("/display", data={**data, "version": version_of(client)})
    assert not answer.headers["location"].startswith(("//", "http", "/\\", "java"))


# -- names and files


EVIL = "<script>alert(1)</script>"


def test_names_cells_and_notes_are_text_never_markup(client: TestClient, folder: Path) -> None:
    sheet = f"Variant,{EVIL}\nNotes,{EVIL}\nTest pressure,28 inH2O\nLift (mm),Intake 1 (CFM),{EVIL}\n" + "".join(
        f"{lift},{20 * lift},{EVIL}\n" for lift in range(1, 9)
    )
    (folder / "a <b>.csv").write_text(sheet)
    (folder / "job.toml").write_text(
        f'[job]\ntitle = "{EVIL}"\nnotes = "{EVIL}"\n[[variant]]\nname = "{EVIL}"\nsheets = ["a <b>.csv"]\n'
        'state = { "<img src=x>" = "</script>" }\n'
    )
    for path in (
        "/sheets",
        "/heads",
        "/result",
        "/result/lifts",
        "/result/ports",
        "/result/corrections",
        "/engine",
        "/build",
    ):
        text = client.get(path).text
        assert "<script>alert" not in text and "<img src=x>" not in text, path
        assert text.count("<script") == 1
    assert "&lt;script&gt;alert(1)" in client.get("/sheets").text


@pytest.mark.parametrize(
    ("name", "kept"),
    [
        ("../../up.csv", "up.csv"),
        ("..\\..\\up.csv", "up.csv"),
        ("/etc/cron.csv", "cron.csv"),
        (".hidden.csv", "hidden.csv"),
        ("CON.csv", "_CON.csv"),
        ("a:b|c?.csv", "a_b_c_.csv"),
        ("  .csv", "csv"),
        ("x" * 300 + ".csv", None),
        ("line\nbreak.csv", None),
    ],
)
def test_a_dropped_name_becomes_a_plain_file_of_the_folder(folder: Path, name: str, kept: str | None) -> None:
    from flowkit.page.plumbing import keep

    made, _ = keep(folder, name, MESSY.encode())
    assert [path.name for path in folder.iterdir()] == [made]
    assert made == kept or kept is None
    assert len(made.encode()) <= 140 and made.isprintable() and not made.startswith(".")


def test_nothing_existing_is_overwritten(client: TestClient, folder: Path) -> None:
    (folder / "sheet.csv").write_text("mine")
    dropped(client, ("sheet.csv", MESSY.encode()))
    dropped(client, ("sheet.csv", MESSY.encode()))
    assert (folder / "sheet.csv").read_text() == "mine"
    assert (folder / "sheet (2).csv").read_text() == MESSY
    # The very same file dropped again is the same file.
    assert not (folder / "sheet (3).csv").exists()


def test_too_large_a_drop_is_refused_before_it_fills_the_disk(folder: Path) -> None:
    client = client_of(folder, most_bytes=100_000)
    answer = client.post("/sheets/add", files=[("files", ("big.csv", b"1" * 200_000))])
    assert answer.status_code == 413 and "nothing was taken" in answer.text

    def endless() -> Any:
        """A body that does not say how long it is."""
        for _ in range(20):
            yield b"1" * 50_000

    answer = client.post("/sheets/add", content=endless(), headers={"content-type": "multipart/form-data; boundary=x"})
    assert answer.status_code in (400, 413)
    assert list(folder.iterdir()) == []


def test_a_claim_of_two_gigabytes_is_refused_unread(client: TestClient, folder: Path) -> None:
    answer = client.post("/sheets/add", content=b"", headers={"content-length": str(2 << 30)})
    assert answer.status_code == 413


def memory_mb(process: subprocess.Popen[str]) -> float:
    """The most memory a process has had, where the system says so."""
    status = Path(f"/proc/{process.pid}/status")
    found = re.search(r"VmHWM:\s+(\d+) kB", status.read_text()) if status.exists() else None
    return int(found[1]) / 1000 if found else 0.0


@pytest.mark.slow
def test_real_streams_over_the_limit_fill_neither_memory_nor_disk(folder: Path, serve: Callable[..., Any]) -> None:
    process, address = serve(folder)
    host, key = address.removeprefix("http://").split("/?key=")
    with socket.create_connection((host.partition(":")[0], int(host.partition(":")[2])), timeout=20) as asking:
        asking.sendall(f"GET /?key={key} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n".encode())
        cookie = re.search(r"set-cookie: ([^;]+)", asking.makefile().read())
    assert cookie is not None
    block = b"1,2.5\n" * 10_000
    part = b'--x\r\nContent-Disposition: form-data; name="files"; filename="e.csv"\r\n\r\n'
    # What says that it is 2 GB is refused before any of it is taken; what does not say, at the limit.
    for length, most in ((f"Content-Length: {2 << 30}", 20e6), ("Transfer-Encoding: chunked", 260e6)):
        head = f"POST /sheets/add HTTP/1.1\r\nHost: {host}\r\nOrigin: http://{host}\r\nCookie: {cookie[1]}\r\n"
        head += f"Content-Type: multipart/form-data; boundary=x\r\n{length}\r\n\r\n"
        sent, answer = 0, b""
        with socket.create_connection((host.partition(":")[0], int(host.partition(":")[2])), timeout=20) as sending:
            sending.sendall(head.encode())
            while sent < 2 << 30 and not select.select([sending], [], [], 0)[0]:
                body = part + block if not sent else block
                try:
                    sending.sendall(body if "Length" in length else b"%x\r\n%s\r\n" % (len(body), body))
                except OSError:
                    break
                sent += len(body)
            with contextlib.suppress(OSError):
                answer = sending.recv(4096)
        assert b" 413 " in answer.splitlines()[0] and sent < most, (answer[:100], sent)
        assert memory_mb(process) < 200
    assert list(folder.iterdir()) == []
    _opened(address).close()


def test_a_folder_of_ten_thousand_files_opens_and_says_what_it_does_not_list(folder: Path) -> None:
    for number in range(10_000):
        (folder / f"{number}.csv").touch()
    client = client_of(folder)
    assert "9000 more files" in client.get("/sheets").text
    assert not (folder / "job.toml").exists()


def test_every_kind_of_file_is_listed_with_what_it_is(client: TestClient, folder: Path) -> None:
    files = {"IMG_1.jpg": b"\xff\xd8\xff", "invoice.pdf": b"%PDF-1.4", "notes.docx": b"PK", "m.csv": MESSY.encode()}
    dropped(client, *files.items(), ("letter.txt", b"hello, nothing here"))
    (folder / "flow_chart.pdf").write_bytes(b"%PDF-1.4")
    text = client.get("/sheets").text
    for name in ("IMG_1.jpg", "invoice.pdf", "notes.docx", "m.csv", "letter.txt", "flow_chart.pdf"):
        assert name in text
    assert "type it in" in text and "made by flowkit" in text


def test_a_bomb_is_refused_plainly_and_the_page_lives(client: TestClient, folder: Path) -> None:
    import io
    import zipfile

    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("[Content_Types].xml", "<Types/>")
        archive.writestr("xl/workbook.xml", b"0" * 60_000_000)
    dropped(client, ("bomb.xlsx", packed.getvalue()), ("m.csv", MESSY.encode()))
    client.post("/sheets/use", data={"file": "bomb.xlsx", "version": version_of(client)})
    assert "cannot be read" in client.get("/sheets").text
    assert "What are these flows in?" in client.get("/sheets?file=m.csv").text


# -- the job file


def answer(client: TestClient, **data: str) -> Any:
    """Answer as the page's forms do."""
    return client.post("/answer", data={"version": version_of(client), **data})


def test_one_answer_settles_all_sheets_and_keeps_the_style_of_the_file(client: TestClient, folder: Path) -> None:
    (folder / "a.csv").write_text(MESSY)
    (folder / "b.csv").write_text(MESSY.replace("23.3", "24.3"))
    (folder / "job.toml").write_text(
        '# my own words\n[job]\ntitle = "x"   # here too\n\n[[variant]]\nname = "b"\nsheets = ["b.csv"]\n\n'
        '[[variant]]\nname = "a"\nsheets = [\n  "a.csv",  # the first\n]\n'
    )
    assert "for all 2 sheets" in client.get("/sheets?file=a.csv").text
    answer(client, kind="condition", file="a.csv", files="a.csv", key="flow_unit", value="CFM", all="on")
    text = (folder / "job.toml").read_text()
    assert text.startswith('# my own words\n[job]\ntitle = "x"   # here too\n')
    assert "# the first" in text and text.count("flow_unit") == 1
    assert len(flowkit.Job.load(folder / "job.toml").read()[0]) == 2


def test_a_value_needs_a_reason_and_reaches_the_result(client: TestClient, folder: Path) -> None:
    dropped(client, ("m.csv", MESSY.encode()))
    answer(client, kind="condition", file="m.csv", key="flow_unit", value="CFM")
    refused = answer(client, kind="value", file="m.csv", cell="8:3", own="108.9", reason="")
    assert "needs its reason" in refused.text
    answer(client, kind="value", file="m.csv", cell="8:3", own="108.9", reason="digits swapped; asked the operator")
    job = flowkit.Job.load(folder / "job.toml")
    values = [p.flow_m3_s for v in job.read()[0] for t in v.tests for p in t.points if p.source == "m.csv:8:3"]
    assert values == [pytest.approx(108.9 * 0.3048**3 / 60, rel=1e-12)]
    assert (folder / "m.csv").read_text() == MESSY


def test_an_answer_that_cannot_be_used_is_not_written(client: TestClient, folder: Path) -> None:
    sample(client)
    before = (folder / "job.toml").read_bytes()
    for data in (
        {"kind": "condition", "key": "test_pressure", "own": "28 bananas"},
        {"kind": "condition", "key": "no_such_key", "own": "1"},
        {"kind": "nonsense"},
        {"kind": "columns"},
    ):
        assert "notice bad" in answer(client, file="as_received.csv", **data).text
    assert (folder / "job.toml").read_bytes() == before


def test_every_change_can_be_undone_and_redone(client: TestClient, folder: Path) -> None:
    dropped(client, ("m.csv", MESSY.encode()))  # a small job: it is read anew for each of its states
    texts = [(folder / "job.toml").read_text()]
    for display in ("metric", "US", "metric"):
        client.post("/display", data={"display": display, "version": version_of(client)})
        texts.append((folder / "job.toml").read_text())
    for text in reversed(texts[:-1]):
        client.post("/undo", data={"version": version_of(client)})
        assert (folder / "job.toml").read_text() == text
    for text in texts[1:]:
        client.post("/redo", data={"version": version_of(client)})
        assert (folder / "job.toml").read_text() == text


def test_a_hundred_states_are_kept_and_no_more(folder: Path) -> None:
    from flowkit.page.answers import set_table_value
    from flowkit.page.workspace import JobDocument

    document = JobDocument(folder / "job.toml")
    for number in range(130):

        def edit(doc: Any, number: int = number) -> str:
            """Write a number."""
            set_table_value(doc, ("job", "number"), str(number))
            return f"number {number}"

        document.change(None, edit)
    undone = 0
    while document.around()[0] is not None:
        document.step(None, -1)
        undone += 1
    assert undone == 100
    assert tomlkit.parse((folder / "job.toml").read_text())["job"]["number"] == "29"


def test_an_answer_to_a_file_that_an_editor_changed_is_refused_and_nothing_is_lost(
    client: TestClient, folder: Path
) -> None:
    sample(client)
    shown = version_of(client)
    edited = (folder / "job.toml").read_text() + "\n# typed meanwhile\n"
    (folder / "job.toml").write_text(edited)
    named = {"kind": "condition", "file": "as_received.csv", "key": "bench", "own": "bench C"}
    for path, data in (("/display", {"display": "metric"}), ("/undo", {}), ("/answer", named)):
        assert "changed in the meantime" in client.post(path, data={**data, "version": shown}).text
        assert (folder / "job.toml").read_text() == edited
    client.post("/display", data={"display": "metric", "version": version_of(client)})
    client.post("/undo", data={"version": version_of(client)})
    assert (folder / "job.toml").read_text() == edited


def test_a_job_with_an_error_is_shown_with_the_way_out(client: TestClient, folder: Path) -> None:
    sample(client)
    good = (folder / "job.toml").read_text()
    for bad in (good + "\n[bench\n", good + "\n[bench]\nrepeatibility = 3\n", "\xff"):
        (folder / "job.toml").write_bytes(bad.encode("latin-1"))
        answer = client.get("/sheets")
        assert "cannot be used" in answer.text or "not UTF-8" in answer.text
        assert "Traceback" not in answer.text
    for meter in ('kindd = "plate"', 'kind = "table"\npoints = [["0 %", "0 CFM"], ["x"]]'):
        (folder / "job.toml").write_text(f"{good}\n[meter]\n{meter}\n")
        for step in ("sheets", "heads", "result", "build", "meter"):
            answer = client.get(f"/{step}")
            assert answer.status_code == 200 and "cannot be used" in answer.text and "[meter]" in answer.text
    (folder / "job.toml").write_text(good)
    assert "cannot be used" not in client.get("/sheets").text


KILLED = """
import os, sys, pathlib
import flowkit.output
from flowkit.page.workspace import JobDocument
from flowkit.page.answers import set_table_value
folder, nth = pathlib.Path(sys.argv[1]), int(sys.argv[2])
count = 0
def trap(name):
    real = getattr(os, name)
    def call(*a, **k):
        global count
        count += 1
        if count == nth:
            os._exit(9)
        return real(*a, **k)
    setattr(os, name, call)
for name in ("replace", "rename", "fsync", "open", "close", "chmod", "unlink"):
    trap(name)
def edit(doc):
    set_table_value(doc, ("job", "title"), "new")
    return "title"
JobDocument(folder / "job.toml").change(None, edit)
"""


def test_killed_at_every_write_the_job_file_is_the_old_or_the_new_one(folder: Path) -> None:
    old = '[job]\ntitle = "old"  # mine\n'
    new = old.replace("old", "new")
    seen = set()
    for nth in range(1, 40):
        (folder / "job.toml").write_text(old)
        (folder / ".job.toml.states").unlink(missing_ok=True)
        ended = subprocess.run([sys.executable, "-c", KILLED, str(folder), str(nth)], check=False).returncode
        text = (folder / "job.toml").read_text()
        assert text in (old, new)
        seen.add((ended, text == new))
        # Whatever was on disk, it can be undone and nothing is lost.
        from flowkit.page.workspace import JobDocument

        document = JobDocument(folder / "job.toml")
        if text == new:
            document.step(None, -1)
            assert (folder / "job.toml").read_text() == old
        if ended == 0:
            break
    assert ended == 0 and (9, False) in seen


# -- starting


def test_it_prints_its_address_first_and_ends_cleanly(folder: Path, serve: Callable[..., Any]) -> None:
    for kill in (signal.SIGINT, signal.SIGTERM):
        process, address = serve(folder)
        assert re.fullmatch(r"http://127\.0\.0\.1:\d+/\?key=[\w-]{20,}", address)
        _opened(address).close()
        process.send_signal(kill)
        out, err = process.communicate(timeout=15)
        assert process.returncode == 0 and out == "" and "Traceback" not in err


def _opened(address: str) -> Any:
    """Open the page as a browser does, its cookie kept."""
    from http.cookiejar import CookieJar

    cookies = urllib.request.HTTPCookieProcessor(CookieJar())
    return urllib.request.build_opener(cookies, urllib.request.ProxyHandler({})).open(address, timeout=10)


def test_it_listens_on_this_computer_alone(folder: Path, serve: Callable[..., Any]) -> None:
    _, address = serve(folder)
    port = int(address.split(":")[2].partition("/")[0])
    own = [info[4][0] for info in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)]
    for ip in set(own) - {"127.0.0.1"}:
        if not ip.startswith("127."):
            with pytest.raises(OSError):
                socket.create_connection((ip, port), timeout=1)


def test_opened_twice_on_one_folder_it_is_one_page(folder: Path, serve: Callable[..., Any]) -> None:
    _, address = serve(folder)
    second, again = serve(folder)
    _, err = second.communicate(timeout=15)
    assert again == address and second.returncode == 0 and "already open" in err


def test_closed_on_the_page_it_ends_and_says_how_to_come_back(folder: Path, serve: Callable[..., Any]) -> None:
    process, address = serve(folder)
    answer = _opened(address)
    host, cookie = address.partition("/?")[0], _cookie(address)
    version = re.search(r'name="version" value="([0-9a-f]+)"', answer.read().decode())
    assert version is not None
    body = f"version={version[1]}".encode()
    refused = urllib.request.Request(f"{host}/close", body, {"Cookie": cookie, "Origin": "http://elsewhere.test"})
    with pytest.raises(urllib.error.HTTPError):
        urllib.request.urlopen(refused, timeout=10)
    asked = urllib.request.Request(f"{host}/close", body, {"Cookie": cookie, "Origin": host})
    text = urllib.request.urlopen(asked, timeout=10).read().decode()
    assert "flowkit is closed" in text and "Back to the job" not in text
    assert process.wait(timeout=20) == 0 and list(folder.iterdir()) == []


IDLE = """
import pathlib, sys
from flowkit.page.server import serve
serve(pathlib.Path(sys.argv[1]), browser=False, idle_s=2)
"""


def test_without_an_open_window_a_page_without_a_console_ends(folder: Path) -> None:
    process = subprocess.Popen([sys.executable, "-c", IDLE, str(folder)], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    host = (address := process.stdout.readline().strip()).partition("/?")[0]
    alive = urllib.request.Request(f"{host}/alive", headers={"Cookie": _cookie(address)})
    # An open window asks now and then, and it stays.
    for _ in range(8):
        assert urllib.request.urlopen(alive, timeout=10).status == 204
        time.sleep(0.5)
    assert process.poll() is None
    assert process.wait(timeout=30) == 0


def _cookie(address: str) -> str:
    """The cookie that the key of an address is taken for."""
    with pytest.raises(urllib.error.HTTPError) as answer:
        urllib.request.build_opener(_Stay).open(address, timeout=10)
    return str(answer.value.headers["set-cookie"]).partition(";")[0]


class _Stay(urllib.request.HTTPRedirectHandler):
    """Follow no redirect."""

    def redirect_request(self, *_: object) -> None:
        """Take it for an answer."""


def test_a_port_in_use_is_said_plainly(folder: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        done = subprocess.run(
            [sys.executable, "-m", "flowkit", "open", str(folder), "--no-browser", "--port", str(port)],
            capture_output=True, text=True, check=False, timeout=30,
        )  # fmt: skip
    assert done.returncode == 1 and f"port {port} cannot be used" in done.stderr and "Traceback" not in done.stderr


def test_a_missing_folder_and_a_file_are_said_plainly(folder: Path) -> None:
    (folder / "a.csv").write_text(MESSY)
    for name, words in (("nowhere", "no such folder"), ("a.csv", "a file, not a folder")):
        done = subprocess.run(
            [sys.executable, "-m", "flowkit", "open", str(folder / name)], capture_output=True, text=True, check=False
        )
        assert done.returncode == 1 and words in done.stderr and "Traceback" not in done.stderr


def test_without_a_browser_the_address_is_enough(folder: Path) -> None:
    environment = {**os.environ, "BROWSER": "/nonexistent/browser", "PATH": "/nonexistent", "DISPLAY": ""}
    process = subprocess.Popen(
        [sys.executable, "-m", "flowkit", "open", str(folder)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment,
    )  # fmt: skip
    assert process.stdout is not None and process.stderr is not None
    assert process.stdout.readline().startswith("http://127.0.0.1:")
    assert "no browser was found" in process.stderr.readline()
    process.terminate()
    assert process.wait(timeout=15) == 0


def test_a_folder_without_sheets_and_a_read_only_one(folder: Path) -> None:
    assert "Nothing here yet" in client_of(folder).get("/sheets").text
    (folder / "as_received.csv").write_bytes((sample_folder() / "as_received.csv").read_bytes())
    folder.chmod(0o555)
    try:
        client = client_of(folder)
        text = client.get("/sheets").text
        assert "8 ports" in text
        assert "as received" in client.get("/result").text
        if os.geteuid() != 0:
            assert "read-only folder" in text
            assert (
                "cannot be written"
                in client.post("/display", data={"display": "metric", "version": version_of(client)}).text
            )
    finally:
        folder.chmod(0o755)


def test_a_folder_that_takes_no_file_is_named_with_the_job_file(sample: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import flowkit.output

    def refuse(**_: object) -> None:
        raise PermissionError(13, "Permission denied")

    client = client_of(sample)
    before = (sample / "job.toml").read_bytes()
    monkeypatch.setattr(flowkit.output.tempfile, "mkstemp", refuse)
    data = {"display": "US", "version": version_of(client)}
    text = client.post("/display", data=data).text
    assert "job.toml cannot be written" in text and ".job.toml.states" not in text
    assert (sample / "job.toml").read_bytes() == before


def test_opening_writes_nothing(client: TestClient, folder: Path) -> None:
    (folder / "as_received.csv").write_bytes((sample_folder() / "as_received.csv").read_bytes())
    for path in ("/sheets", "/heads", "/result", "/engine", "/build", "/type", "/paste"):
        assert client.get(path).status_code == 200
    assert [path.name for path in folder.iterdir()] == ["as_received.csv"]


def test_a_shortcut_is_written_once_and_over_nothing_else(tmp_path: Path) -> None:
    from flowkit.page.server import make_shortcut

    for system, name in (("linux", "flowkit.desktop"), ("darwin", "flowkit.command"), ("win32", "flowkit.vbs")):
        made = make_shortcut(tmp_path, system=system)
        assert made.name == name and "flowkit" in made.read_text()
        assert make_shortcut(tmp_path, system=system) == made
        made.write_text("my own file")
        with pytest.raises(flowkit.FlowkitError, match="not overwritten"):
            make_shortcut(tmp_path, system=system)
        assert made.read_text() == "my own file"


def test_the_desktops_starter_makes_its_folder_and_opens_the_browser_on_it(tmp_path: Path) -> None:
    """The command that a shortcut calls: no folder named, no terminal, the browser opened."""
    browser, seen = tmp_path / "browser", tmp_path / "seen"
    browser.write_text(f'#!/bin/sh\nprintf %s "$1" > "{seen}.new" && mv "{seen}.new" "{seen}"\n')
    browser.chmod(0o755)
    (tmp_path / "Documents").mkdir()
    process = subprocess.Popen(
        [sys.executable, "-c", "from flowkit.page.server import main; raise SystemExit(main())"],
        stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        env={**os.environ, "HOME": str(tmp_path), "BROWSER": str(browser)},
    )  # fmt: skip
    try:
        for _ in range(600):
            if seen.exists():
                break
            time.sleep(0.1)
        assert b"Nothing here yet" in _opened(seen.read_text()).read()
        assert (tmp_path / "Documents" / "flowkit").is_dir()
    finally:
        process.terminate()
    assert process.wait(timeout=20) == 0


def test_help_loads_none_of_the_page() -> None:
    run = subprocess.run(
        [sys.executable, "-X", "importtime", "-m", "flowkit", "--help"], capture_output=True, text=True, check=True
    )
    loaded = {line.rpartition("|")[2].strip() for line in run.stderr.splitlines() if "|" in line}
    assert not {name for name in loaded if name.split(".")[0] in ("starlette", "uvicorn", "jinja2", "tomlkit")}
    assert not {name for name in loaded if name.startswith("flowkit.page")}


# -- the build file


def test_the_report_is_made_beside_the_page_and_a_build_file_comes_back_with_it(
    client: TestClient, folder: Path
) -> None:
    import io

    import pypdf
    from PIL import Image

    sample(client)
    logo = io.BytesIO()
    Image.new("RGB", (90, 30), "teal").save(logo, "PNG")
    data = {"version": version_of(client), "shop": "Invented Heads", "pages": "all"}
    refused = client.post("/build/make", data=data, files={"logo": ("logo.png", b"no picture")})
    assert "not a PNG or JPEG" in refused.text and "shop" not in (folder / "job.toml").read_text()
    client.post("/build/make", data=data, files={"logo": ("logo.png", logo.getvalue())})
    build = pypdf.PdfWriter()
    build.add_blank_page(300, 400)
    blank = io.BytesIO()
    build.write(blank)
    client.post(
        "/build/attach",
        files={"build_file": ("build.pdf", blank.getvalue())},
        data={"version": version_of(client), "pages": "one"},
    )
    assert _finished(client, "report")["running"] is False
    job = tomlkit.parse((folder / "job.toml").read_text())["job"]
    assert job["shop"] == "Invented Heads" and job["logo"] == "logo.png"
    kept = client.get("/build/out/report/flow_chart.html")
    assert kept.headers["content-disposition"].startswith("attachment")
    assert b"slim-stem valves" in kept.content
    # Every page of the PDF is shown as it prints.
    pages = pypdf.PdfReader(io.BytesIO(client.get("/build/out/report/flow_chart.pdf").content)).pages
    assert "Invented Heads" in pages[0].extract_text()
    shown = client.get("/build").text
    assert shown.count("<figure><img") == len(pages) > 3
    picture = client.get(f"/build/out/report/flow_chart_page_{len(pages)}.png?show=1")
    with Image.open(io.BytesIO(picture.content)) as page:
        wide, high = (float(side) for side in pages[-1].mediabox[2:])
        assert page.width / page.height == pytest.approx(wide / high, rel=0.005)
    _finished(client, "attach")
    returned = client.get("/build/out/attach/build.pdf").content
    assert len(pypdf.PdfReader(io.BytesIO(returned)).pages) == 2
    assert not (folder / "build.pdf").exists()


def _finished(client: TestClient, kind: str) -> Any:
    """Wait for work beside the page."""
    for _ in range(600):
        state = json.loads(client.get(f"/work/{kind}").text)
        if not state["running"]:
            return state
        time.sleep(0.1)
    raise AssertionError(f"{kind} does not end: {state}")


def test_long_work_can_be_stopped(client: TestClient, folder: Path) -> None:
    for path in sample_folder().iterdir():
        (folder / path.name).write_bytes(path.read_bytes())
    client.post("/engine/run", data={"version": version_of(client)})
    assert json.loads(client.get("/work/engine").text)["running"]
    assert "Stopped" in client.post("/work/stop", data={"kind": "engine", "version": version_of(client)}).text
    assert not json.loads(client.get("/work/engine").text)["running"]


# -- records and meter


def test_a_recorded_state_is_found_and_becomes_the_baseline_of_another_job(folder: Path, tmp_path: Path) -> None:
    for path in sample_folder().iterdir():
        (folder / path.name).write_bytes(path.read_bytes())
    with (folder / "job.toml").open("a") as stream:
        stream.write('\n[records]\nfile = "../shop.db"\n')
    client = client_of(folder)
    assert "No job is recorded yet" in client.get("/records").text
    assert "in the records" in client.post("/records/add", data={"version": version_of(client)}).text
    assert "as received" in client.get("/records?q=2417").text
    assert "Nothing was found" in client.get("/records?q=unheardof").text
    assert client.get("/records/bench.png?name=bench%20A").headers["content-type"] == "image/png"
    other = tmp_path / "other"
    other.mkdir()
    (other / "after_work.xlsx").write_bytes((sample_folder() / "after_work.xlsx").read_bytes())
    (other / "job.toml").write_text(
        '[records]\nfile = "../shop.db"\n[[variant]]\nname = "ports blended"\nsheets = ["after_work.xlsx"]\n'
    )
    later = client_of(other)
    data = {"job": "2417", "state": "as received", "version": version_of(later)}
    assert "is the first state" in later.post("/records/baseline", data=data).text
    job = flowkit.Job.load(other / "job.toml")
    assert [variant.name for variant in job.variants] == ["as received (job 2417)", "ports blended"]
    assert job.compare().sides["intake"].steps[0].from_ == "as received (job 2417)"


def test_a_sheet_recorded_without_a_job_becomes_a_baseline_by_its_own_name(folder: Path, tmp_path: Path) -> None:
    from flowkit.job.record import add_to_records
    from flowkit.records.store import Store

    for place in ("2019", "2020"):
        (tmp_path / place).mkdir()
    for name in ("stock", "twin"):
        (tmp_path / "2019" / f"{name}.csv").write_bytes((sample_folder() / "as_received.csv").read_bytes())
    (tmp_path / "2020" / "twin.csv").write_bytes((sample_folder() / "as_received.csv").read_bytes() + b"\n")
    with Store(tmp_path / "shop.db", write=True) as store:
        list(add_to_records(store, [tmp_path / "2019", tmp_path / "2020"], workers=1))
    (folder / "after_work.xlsx").write_bytes((sample_folder() / "after_work.xlsx").read_bytes())
    (folder / "job.toml").write_text(
        '[records]\nfile = "../shop.db"\n[[variant]]\nname = "ports blended"\nsheets = ["after_work.xlsx"]\n'
    )
    client = client_of(folder)
    found = re.findall(r'name="job" value="([^"]*)"><input type="hidden" name="state" value="([^"]*)"',
                       client.get("/records").text)  # fmt: skip
    assert set(found) == {("stock", "as received"), ("twin", "as received")}
    before = (folder / "job.toml").read_bytes()
    data = {"state": "as received", "version": version_of(client)}
    # Two go by one name: said, and nothing is written.
    assert "several recorded jobs go by" in client.post("/records/baseline", data={"job": "twin", **data}).text
    assert (folder / "job.toml").read_bytes() == before
    assert "is the first state" in client.post("/records/baseline", data={"job": "stock", **data}).text
    step = flowkit.Job.load(folder / "job.toml").compare().sides["intake"].steps[0]
    assert step.from_ == "as received (stock)"
    assert f"{100 * step.mean_flow_gain:+.1f}" in client.get("/result").text


def test_a_meter_is_described_by_its_form(client: TestClient, folder: Path) -> None:
    sample(client)
    text = client.get("/meter?kind=plate").text
    assert 'name="hole"' in text and 'name="coefficient"' in text
    data = {"kind": "plate", "hole": "32 mm", "coefficient": "0.602", "place": "chamber", "u_calibration": "0.6 %",
            "manometer.liquid": "water", "manometer.angle": "14.5°"}  # fmt: skip
    assert "Saved: meter: plate" in client.post("/meter", data={**data, "version": version_of(client)}).text
    written = tomlkit.parse((folder / "job.toml").read_text())["meter"]
    assert written["coefficient"] == 0.602 and written["manometer"] == {"liquid": "water", "angle": "14.5°"}
    assert flowkit.Job.load(folder / "job.toml").meters
    assert 'value="32 mm"' in client.get("/meter").text


def test_what_the_meter_form_has_no_field_for_stays(sample: Path) -> None:
    job = (sample / "job.toml").read_text()
    points = 'points = [["0 mm", "0 CFM"], ["42 mm", "71 CFM"], ["80 mm", "98 CFM"]]'
    meter = f'\n[meter]\nkind = "table"\nreading_unit = "mm"\n{points}\nu_common = "0.3 %"\n'
    (sample / "job.toml").write_text(job + meter)
    client = client_of(sample)
    data = {"kind": "table", "reading_unit": "mm", "zero": "0.5 mm", "version": version_of(client)}
    assert "Saved: meter: table" in client.post("/meter", data=data).text
    written = tomllib.loads((sample / "job.toml").read_text())["meter"]
    assert written["points"][1] == ["42 mm", "71 CFM"] and written["u_common"] == "0.3 %"
    assert written["zero"] == "0.5 mm"


# -- buttons, fields and forms


TYPED = "Test pressure\t28 inH2O\nLift (mm)\tIntake 1 (CFM)\tIntake 2 (CFM)\n" + "".join(
    f"{lift}\t{20 * lift}\t{19 * lift}\n" for lift in range(1, 9)
)
"""A table as it is pasted from a workbook."""


def notice_of(answer: Any) -> str:
    """What the page says on top after a form."""
    found = re.search(r'class="notice[^>]*>(.*?)</p>', answer.text, re.S)
    return " ".join(re.sub(r"<[^>]+>", "", found.group(1)).split()) if found else ""


@pytest.mark.parametrize(
    ("form", "data", "said"),
    [
        ("/heads/state", {"name": "as received", "do": "rename", "new": " "}, "a state needs a name"),
        ("/heads/state", {"name": "as received", "do": "paint"}, "does not know this answer"),
        ("/heads/state", {"name": "gone", "do": "up"}, "no state &#39;gone&#39; any more"),
        ("/answer", {"kind": "condition", "file": "as_received.csv", "key": "bench"}, "no answer was given"),
        ("/answer", {"kind": "table", "key": "bench.colour", "value": "red"}, "is not asked for"),
        ("/answer", {"kind": "date_order", "file": "as_received.csv"}, "whether the day or the month comes first"),
        ("/answer", {"kind": "letters", "file": "as_received.csv"}, "which letter is the intake"),
        ("/answer", {"kind": "columns", "cells0": "2:1-9:1", "side0": "lifts"}, "no column is a flow"),
        ("/answer", {"kind": "condition", "key": "side", "value": "inlet", "file": "as_received.csv"}, "inlet"),
        ("/engine/table", {"side": "intake"}, "no cam table was chosen"),
        ("/engine/whatif", {}, "nothing was changed yet"),
        ("/engine/fields", {"engine.bore": "80"}, "has no unit"),
        ("/meter", {"kind": "turbine"}, "no meter of kind"),
        ("/build/attach", {}, "no build file was chosen"),
        ("/sheets/add", {}, "No file was chosen."),
        ("/paste", {"pasted": " \n"}, "Paste a table first"),
        ("/type", {"lift_unit": "mm", "flow_unit": "CFM"}, "no lift with a flow yet"),
        ("/type", {"lift_unit": "mm", "flow_unit": "CFM", "lift0": "2", "f0_0": "40"}, "column 1 has no side yet"),
        (
            "/type",
            {"lift_unit": "mm", "flow_unit": "CFM", "side0": "intake"}
            | {f"lift{n}": str(2 * n + 2) for n in range(3)} | {"f0_0": "40", "f1_0": "eighty", "f2_0": "110"},
            "eighty",
        ),
    ],
)  # fmt: skip
def test_a_form_that_lacks_its_answer_says_so_and_writes_nothing(
    sample: Path, form: str, data: dict[str, str], said: str
) -> None:
    before = (sample / "job.toml").read_bytes(), sorted(path.name for path in sample.iterdir())
    client = client_of(sample)
    answer = client.post(form, data={"version": version_of(client), **data})
    assert said in answer.text and "notice bad" in answer.text
    assert ((sample / "job.toml").read_bytes(), sorted(path.name for path in sample.iterdir())) == before


def test_a_table_is_pasted_looked_at_and_taken_into_the_job(client: TestClient, folder: Path) -> None:
    looked = client.post("/paste", data={"pasted": TYPED.replace("\n", "\r\n")})
    assert "<svg" in looked.text and not list(folder.glob("*.tsv"))
    assert "no table" in client.post("/paste", data={"pasted": "the head is ready on Friday"}).text
    client.post("/paste", data={"pasted": TYPED, "do": "save", "name": "mailed"})
    (state,) = flowkit.Job.load(folder / "job.toml").read()[0]
    flows = {test.port: [flowkit.from_si(p.flow_m3_s, "CFM") for p in test.points] for test in state.tests}
    assert state.name == "mailed" and flows["1"] == pytest.approx([20.0 * n for n in range(1, 9)])
    assert flows["2"] == pytest.approx([19.0 * n for n in range(1, 9)])


def test_a_sheet_whose_name_has_brackets_is_answered_and_taken_out_like_any(client: TestClient, folder: Path) -> None:
    dropped(client, ("flow [1].csv", MESSY.encode()), ("flow 1.csv", MESSY.encode()))
    for data in ({"kind": "condition", "key": "flow_unit", "value": "CFM"}, {"kind": "leave_out", "cell": "8:3"}):
        assert notice_of(answer(client, file="flow [1].csv", **data)).startswith("Saved")
    assert "not in the job" not in client.get("/sheets?file=flow [1].csv").text
    done = client.post("/sheets/drop", data={"file": "flow [1].csv", "version": version_of(client)})
    assert "is no longer in the job" in notice_of(done)
    assert [choice.path.name for v in flowkit.Job.load(folder / "job.toml").variants for choice in v.sheets] == [
        "flow 1.csv"
    ]


@pytest.mark.parametrize(
    ("name", "sheets"),
    [
        ("ported", {"ported": ["b.csv", "a.csv"], "third": ["c.csv"]}),
        ("  Ported ", {"ported": ["b.csv", "a.csv"], "third": ["c.csv"]}),
        ("stock", {"stock": ["a.csv"], "ported": ["b.csv"], "third": ["c.csv"]}),
        ("fourth", {"ported": ["b.csv"], "third": ["c.csv"], "fourth": ["a.csv"]}),
    ],
)
def test_a_sheet_moved_to_a_new_state_takes_no_other_sheet_away(
    folder: Path, name: str, sheets: dict[str, list[str]]
) -> None:
    for file, flow in (("a", 20), ("b", 22), ("c", 24)):
        (folder / f"{file}.csv").write_text(TYPED.replace("\t", ",").replace("8,160,", f"8,{8 * flow},"))
    states = (("stock", "a"), ("ported", "b"), ("third", "c"))
    text = "".join(f'[[variant]]\nname = "{state}"\nsheets = ["{file}.csv"]\n\n' for state, file in states)
    (folder / "job.toml").write_text(text)
    client = client_of(folder)
    data = {"version": version_of(client), "file": "a.csv", "from": "stock", "to": "stock", "new": name}
    assert notice_of(client.post("/heads/sheet", data=data)).startswith("Saved")
    job = flowkit.Job.load(folder / "job.toml")
    assert {v.name: [choice.path.name for choice in v.sheets] for v in job.variants} == sheets
    data = {"version": version_of(client), "name": job.variants[-1].name, "do": "up"}
    client.post("/heads/state", data=data)
    client.post("/heads/state", data={**data, "version": version_of(client), "do": "rename", "new": " the  last "})
    names = [variant.name for variant in job.variants]
    names.insert(len(names) - 2, names.pop())
    names[-2] = "the last"
    assert [variant.name for variant in flowkit.Job.load(folder / "job.toml").variants] == names


def test_a_sheet_of_two_states_joins_one_that_is_there_and_its_pressure_counts_for_itself(folder: Path) -> None:
    """What is answered of a sheet that holds two states is not stated of another sheet of one of them."""
    rows = "".join(f"{lift},{20 * lift},{22 * lift}\n" for lift in range(1, 9))
    (folder / "both.csv").write_text(f"Intake 1\nLift (mm),Stock (CFM),Ported (CFM)\n{rows}")
    (folder / "b.csv").write_text(
        f"Lift (mm),Intake 2 (CFM)\n{''.join(f'{n},{21 * n}' + chr(10) for n in range(1, 9))}"
    )
    (folder / "job.toml").write_text(
        '[[variant]]\nname = "both"\nsheets = ["both.csv"]\n\n[[variant]]\nname = "ported"\nsheets = ["b.csv"]\n'
    )
    client = client_of(folder)
    answer(client, kind="condition", file="both.csv", key="side", value="intake")
    answer(client, kind="condition", file="both.csv", key="test_pressure", value="10 inH2O")
    job = flowkit.Job.load(folder / "job.toml")
    found = {
        (variant.name.casefold(), choice.path.name): (choice.stated or variant.stated).conditions.test_pressure_pa
        for variant in job.variants
        for choice in variant.sheets
    }
    ten = pytest.approx(10 * 249.08891)
    assert found == {("stock", "both.csv"): ten, ("ported", "both.csv"): ten, ("ported", "b.csv"): None}


def test_fields_and_a_cam_table_are_written_where_they_belong(sample: Path) -> None:
    client = client_of(sample)
    last = flowkit.Job.load(sample / "job.toml").variants[-1].name
    for form, data in (
        ("/heads/fields", {"state": last, "valves.intake.seat_angle": "44", "valves.intake.head": "37.5 mm"}),
        ("/engine/fields", {"engine.compression_ratio": "10,8"}),
    ):
        done = client.post(form, data={**data, "version": version_of(client), "back": "/heads"})
        assert notice_of(done).startswith("Saved"), notice_of(done)
        again = client.post(form, data={**data, "version": version_of(client), "back": "/heads"})
        assert notice_of(again) == "Nothing was changed."
    job = flowkit.Job.load(sample / "job.toml")
    valve = job.variants[-1].valves["intake"]
    assert (valve.seat_angle_deg, valve.head_m) == (44.0, pytest.approx(0.0375))
    assert job.engine is not None and job.engine.compression_ratio == 10.8
    curve = ((108 + at, 9.5 * math.cos(math.radians(0.75 * at)) ** 2) for at in range(-120, 121, 4))
    lifts = "".join(f"{at},{lift:.4f}\n" for at, lift in curve)
    files = {"table": ("cam.csv", f"degrees,lift (mm)\n{lifts}".encode())}
    data = {"side": "intake", "degrees": "crank", "zero": "gas exchange TDC", "version": version_of(client)}
    done = client.post("/engine/table", data=data, files=files)
    assert notice_of(done).startswith("Saved: intake cam from cam.csv"), notice_of(done)
    cam = flowkit.Job.load(sample / "job.toml").cam_table["intake"]
    assert cam["table"] == "cam.csv" and "opens" not in cam and "peak_lift" not in cam


@pytest.mark.parametrize(
    "path", ["/static/../server.py", "/static/none.js", "/file/as_received.csv", "/build/out/report/a.pdf"]
)
def test_what_is_not_there_is_said(sample: Path, path: str) -> None:
    answer = client_of(sample).get(path)
    assert answer.status_code >= 400 or "notice bad" in answer.text


def test_an_open_page_is_heard_and_a_closed_one_says_what_was_kept(sample: Path, folder: Path) -> None:
    client = client_of(sample)
    assert client.get("/alive").status_code == 204
    assert client.get("/work/report").json() == {"running": False, "share": 0.0, "say": ""}
    closed = client.post("/close")
    assert "flowkit is closed" in closed.text and str(sample / "job.toml") in closed.text


@pytest.mark.skipif(sys.platform != "linux", reason="names are bytes there alone")
def test_a_name_that_is_no_text_does_not_stop_the_page(client: TestClient, folder: Path) -> None:
    (folder / "a.csv").write_text(MESSY)
    Path(os.fsdecode(os.fsencode(folder) + b"/K\xf6pfe.csv")).write_text(MESSY)
    page = client.get("/sheets")
    assert page.status_code == 200 and "a.csv" in page.text and "1 more file of the folder not listed" in page.text
