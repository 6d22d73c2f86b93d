"""The command starts a server that says where it is, and refuses what would open the records to others."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
from collections.abc import Callable
from pathlib import Path

import httpx
import pytest

from capture.upload import enrol, open_client
from server.cli import main
from tests.server.shop import PATIENCE_S, ROOT, Server, chain, command, job_opened, run, send

PASSWORD = "nine lives of a seal ring"


def password_file(folder: Path, text: str = PASSWORD, mode: int = 0o600) -> Path:
    path = folder / "password"
    path.write_text(f"{text}\n", encoding="utf-8")
    path.chmod(mode)
    return path


@pytest.fixture
def refused(capsys: pytest.CaptureFixture[str]) -> Callable[..., str]:
    """Run the command here; return the one line it refuses with."""

    def run_refused(code: int, name: str, data: Path, *options: str) -> str:
        assert main([name, "--data", str(data), *options]) == code
        out, err = capsys.readouterr()
        assert out == "" and err.startswith("benchcall-server: ") and err.count("\n") == 1
        return err

    return run_refused


def test_serve_says_in_one_line_where_it_listens_and_ends_when_told(tmp_path: Path) -> None:
    process = subprocess.Popen(
        [*command("serve", tmp_path / "new" / "data"), "--port", "0"],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    line = process.stdout.readline()
    found = re.fullmatch(r"listening on (http://127\.0\.0\.1:\d+)\n", line)
    assert found, line
    assert httpx.get(f"{found[1]}/api/v1/health", trust_env=False).json() == {"server": "benchcall", "api": 1}
    os.kill(process.pid, signal.SIGTERM)
    out, err = process.communicate(timeout=PATIENCE_S)
    assert (process.returncode, out, err) == (-signal.SIGTERM, "", "")  # ended by the signal, after closing up


def test_the_code_of_the_command_enrols_a_bench(own_server: Server) -> None:
    done = run("enrolment-code", own_server.data, "--bench", "bench-1", "--hours", "2")
    assert done.returncode == 0 and "good once within 2 hours" in done.stdout
    token = enrol(own_server.url, done.stdout.split()[-1], "bench-1")
    with open_client(own_server.url, token) as client:
        assert send(client, "bench-1", chain("bench-1", job_opened("J-1"))).json()["acknowledged"] == 1


def test_a_code_that_is_too_old_enrols_nobody(tmp_path: Path) -> None:
    import datetime

    from server.auth import enrol as use
    from server.auth import new_code
    from server.errors import NotAllowed
    from server.store import Store

    store = Store.open(tmp_path / "server.db")
    now = datetime.datetime(2026, 3, 2, 12, 0, tzinfo=datetime.UTC)
    hour = datetime.timedelta(hours=1)
    late, in_time = (new_code(store, "bench-1", now, hour) for _ in range(2))
    with pytest.raises(NotAllowed, match="too old"):
        use(store, late, "bench-1", now + hour)
    assert use(store, in_time, "bench-1", now + hour - datetime.timedelta(seconds=1))
    store.close()


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.0.2.7", "shop-server"])
def test_beyond_this_machine_a_password_is_demanded(tmp_path: Path, host: str, refused: Callable[..., str]) -> None:
    line = refused(2, "serve", tmp_path / "data", "--host", host, "--port", "0")
    assert f"Address {host} is reached by others" in line and "--lead-password-file" in line


@pytest.mark.parametrize(
    "text, mode, expect",
    [
        (PASSWORD, 0o640, "chmod 600"),
        (PASSWORD, 0o604, "chmod 600"),
        ("short", 0o600, "has 5 characters"),
        ("", 0o600, "0"),
    ],
)
def test_a_password_that_others_can_read_or_guess_is_refused(
    tmp_path: Path, text: str, mode: int, expect: str, refused: Callable[..., str]
) -> None:
    path = password_file(tmp_path, text, mode)
    line = refused(2, "serve", tmp_path / "data", "--host", "0.0.0.0", "--lead-password-file", str(path))
    assert expect in line and PASSWORD not in line and "short" not in line


def test_with_a_password_pages_and_records_are_closed_and_benches_still_send(tmp_path: Path) -> None:
    server = Server(
        tmp_path / "data", "--host", "0.0.0.0", "--lead-password-file", str(password_file(tmp_path))
    ).start()
    try:
        for path in (
            "/",
            "/jobs/J-1",
            "/benches",
            "/conflicts",
            "/nothing",
            "/api/v1/jobs",
            "/api/v1/jobs/J-1",
            "/api/v1/openapi.json",
            "/api/v1/nothing",
        ):
            for auth in (None, ("lead", "wrong"), (PASSWORD, ""), ("", "")):
                answer = server.get(path, auth=auth) if auth else server.get(path)
                assert answer.status_code == 401, path
                assert answer.headers["www-authenticate"].startswith("Basic "), path
        for header in ("Basic", "Basic !!!", "Basic /////w==", f"Bearer {PASSWORD}"):
            assert server.get("/", headers={"Authorization": header}).status_code == 401
        assert server.get("/api/v1/health").status_code == 200
        with server.client("bench-1") as client:
            assert send(client, "bench-1", chain("bench-1", job_opened("J-1"))).status_code == 200
        assert "J-1" in server.get("/", auth=("lead", PASSWORD)).text
        assert server.get("/api/v1/jobs/J-1", auth=("anybody", PASSWORD)).status_code == 200
        assert server.get("/", auth=("lead", PASSWORD), headers={"Host": "shop-server:8080"}).status_code == 200
    finally:
        server.stop()
    kept = b"".join(path.read_bytes() for path in server.data.iterdir()) + server.log.read_bytes()
    assert PASSWORD.encode() not in kept


def test_every_route_is_the_lead_s_unless_it_is_named_as_open() -> None:
    """A route that is added later is closed until somebody opens it on purpose."""
    from server.api import router as api
    from server.pages import router as pages
    from server.security import OPEN, OPEN_UNDER

    paths = {route.path for router in (api, pages) for route in router.routes}  # type: ignore[attr-defined]
    opened = {path for path in paths if path in OPEN or path.startswith(OPEN_UNDER)}
    assert opened == {
        "/api/v1/health",
        "/api/v1/enrolments",
        "/api/v1/benches/{bench}",
        "/api/v1/benches/{bench}/events",
    }
    assert len(paths) > len(opened)


def test_a_port_in_use_is_said_in_one_line(tmp_path: Path, refused: Callable[..., str]) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        line = refused(4, "serve", tmp_path / "data", "--port", str(port))
    assert f"127.0.0.1:{port} cannot be used" in line


def test_a_database_of_something_else_is_refused(tmp_path: Path, refused: Callable[..., str]) -> None:
    import sqlite3

    raw = sqlite3.connect(tmp_path / "server.db")
    raw.execute("CREATE TABLE other (x)")
    raw.commit()
    raw.close()
    assert "a database of something else" in refused(3, "enrolment-code", tmp_path, "--bench", "bench-1")
    (tmp_path / "server.db").write_bytes(b"no database, but long enough to be read as one" * 50)
    assert "is no database" in refused(3, "serve", tmp_path, "--port", "0")


def test_a_data_folder_that_cannot_be_one_is_named(tmp_path: Path, refused: Callable[..., str]) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    assert "cannot be made" in refused(3, "serve", tmp_path / "file", "--port", "0")
    assert "cannot be made" in refused(3, "enrolment-code", tmp_path / "file" / "below", "--bench", "bench-1")


def test_wrong_options_are_named(tmp_path: Path, refused: Callable[..., str]) -> None:
    assert "Bench name 'a b'" in refused(2, "enrolment-code", tmp_path, "--bench", "a b")
    assert "--hours is 0" in refused(2, "enrolment-code", tmp_path, "--bench", "b", "--hours", "0")
    assert "is not there" in refused(2, "verify", tmp_path / "nowhere")
