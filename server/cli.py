"""The `benchcall-server` command.

Exit codes: 0 done; 1 a check found something wrong; 2 a wrong option or file; 3 the database cannot be used;
4 the address cannot be listened on.
"""

from __future__ import annotations

import argparse
import datetime
import socket
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from server.errors import ApiError, ServerError, SetupError
from server.loopback import is_loopback

if TYPE_CHECKING:
    from server.store import Store

EXIT_ADDRESS = 4
_SHORTEST_PASSWORD = 10


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="benchcall-server", description="Takes events from benches, folds them, shows the records to the lead."
    )
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")

    serve = commands.add_parser("serve", help="run the server until it is stopped")
    serve.add_argument("--host", default="127.0.0.1", help="address to listen on (default: this machine only)")
    serve.add_argument("--port", type=int, default=8080, help="port to listen on; 0 takes a free one and says which")
    serve.add_argument(
        "--lead-password-file",
        type=Path,
        help="file that holds the lead's password, readable by its owner alone; needed beyond this machine",
    )

    code = commands.add_parser("enrolment-code", help="print a one-time code with which a bench enrols")
    code.add_argument("--bench", required=True, help="the bench's name")
    code.add_argument("--hours", type=int, default=24, help="how long the code is good for (default: 24)")

    revoke = commands.add_parser("revoke", help="take nothing more from a bench: its token and its key end now")
    revoke.add_argument("--bench", required=True, help="the bench's name")

    verify = commands.add_parser("verify", help="check the database, the hash chain and signatures of every bench")
    evidence = commands.add_parser("evidence", help="write a bench's events with signatures, to be verified anywhere")
    evidence.add_argument("--bench", required=True, help="the bench's name")
    evidence.add_argument("file", type=Path, help="the JSON file to write; benchcall verify reads it")
    for one in (serve, code, revoke, verify, evidence):
        one.add_argument("--data", type=Path, required=True, help="folder of the server's database")
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command; return its exit code."""
    options = _parser().parse_args(argv)
    try:
        if options.command == "serve":
            return _serve(options)
        if options.command == "enrolment-code":
            return _enrolment_code(options)
        if options.command == "revoke":
            return _revoke(options)
        if options.command == "evidence":
            return _evidence(options)
        return _verify(options)
    except ApiError as error:
        print(f"benchcall-server: {error}", file=sys.stderr)
        return SetupError.exit_code
    except ServerError as error:
        print(f"benchcall-server: {error}", file=sys.stderr)
        return error.exit_code


def read_password(path: Path) -> str:
    """Read the lead's password from the first line of a file.

    Raises:
        SetupError: the file cannot be read, others may read it, or the password is too short.
    """
    try:
        others_may_read = path.stat().st_mode & 0o077
        password = path.read_text(encoding="utf-8").split("\n")[0].strip()
    except (OSError, UnicodeDecodeError) as error:
        raise SetupError(f"Password file {path} cannot be read ({error}); give a text file of one line") from None
    if others_may_read:
        raise SetupError(f"Password file {path} can be read by others; run: chmod 600 {path}")
    if len(password) < _SHORTEST_PASSWORD:
        raise SetupError(f"Password in {path} has {len(password)} characters; use {_SHORTEST_PASSWORD} or more")
    return password


def _serve(options: argparse.Namespace) -> int:
    if options.lead_password_file is None and not is_loopback(options.host):
        raise SetupError(
            f"Address {options.host} is reached by others, who would read the records; "
            "give --lead-password-file FILE, or --host 127.0.0.1"
        )
    password = read_password(options.lead_password_file) if options.lead_password_file else ""
    import uvicorn  # heavy, and not needed for a refusal

    from server.app import create_app
    from server.settings import Settings, password_digest

    app = create_app(Settings(options.data, lead_password_sha256=password_digest(password) if password else ""))
    try:
        listening = _listen(options.host, options.port)
    except (OSError, OverflowError) as error:
        app.state.shop.store.close()
        print(
            f"benchcall-server: Address {options.host}:{options.port} cannot be used ({error}); give another "
            "--host or --port",
            file=sys.stderr,
        )
        return EXIT_ADDRESS
    host, port = listening.getsockname()[:2]
    print(f"listening on http://{f'[{host}]' if ':' in host else host}:{port}", flush=True)
    config = uvicorn.Config(
        app,
        log_level="warning",
        access_log=False,
        server_header=False,
        proxy_headers=False,
        ws="none",
        timeout_graceful_shutdown=3,
    )
    server = uvicorn.Server(config)
    app.state.shop.live.should_end = lambda: server.should_exit
    server.run(sockets=[listening])
    return 0


def _listen(host: str, port: int) -> socket.socket:
    """Open the socket before anything is said, so that whoever reads the port can connect at once."""
    family, kind, _, _, address = socket.getaddrinfo(host.strip("[]"), port, type=socket.SOCK_STREAM)[0]
    listening = socket.socket(family, kind)
    try:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind(address)
        listening.listen(128)
    except BaseException:
        listening.close()
        raise
    return listening


def _enrolment_code(options: argparse.Namespace) -> int:
    from server.auth import new_code
    from server.settings import Settings, utc_now
    from server.store import Store

    if options.hours < 1:
        raise SetupError(f"Option --hours is {options.hours}; it must be 1 or more")
    store = Store.open(Settings(options.data).database)
    try:
        code = new_code(store, options.bench, utc_now(), datetime.timedelta(hours=options.hours))
    finally:
        store.close()
    print(f"Code for {options.bench}, good once within {options.hours} hours: {code}")
    return 0


def _open_store(options: argparse.Namespace) -> Store:
    """Open a database that must be there already."""
    from server.settings import Settings
    from server.store import Store

    database = Settings(options.data).database
    if not database.exists():
        raise SetupError(f"Database {database} is not there; give the --data of the server")
    return Store.open(database)


def _revoke(options: argparse.Namespace) -> int:
    from server.auth import revoke

    store = _open_store(options)
    try:
        held = revoke(store, options.bench)
    finally:
        store.close()
    print(f"Bench {options.bench} is revoked; its events 1 to {held} stay, nothing more is taken from it")
    return 0


def _evidence(options: argparse.Namespace) -> int:
    from server.sync import evidence_of

    store = _open_store(options)
    try:
        text = evidence_of(store, options.bench)
    finally:
        store.close()
    try:
        options.file.write_text(text, encoding="utf-8")
    except OSError as error:
        raise SetupError(f"File {options.file} was not written ({error.strerror}); give another") from None
    print(f"Evidence of bench {options.bench} written to {options.file}; check it with: benchcall verify FILE")
    return 0


def _verify(options: argparse.Namespace) -> int:
    from server.sync import unsigned, verify

    store = _open_store(options)
    try:
        wrong, not_signed = verify(store), unsigned(store)
        events, benches = store.count_events(), len(store.bench_names())
    finally:
        store.close()
    for line in (*wrong, *not_signed):
        print(line)
    print(f"{events} events of {benches} benches, {'chains whole' if not wrong else f'{len(wrong)} wrong'}")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
