"""What a server needs to know, read once when it starts."""

from __future__ import annotations

import datetime
import hashlib
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path


def utc_now() -> datetime.datetime:
    """Return the server's clock, UTC."""
    return datetime.datetime.now(datetime.UTC)


@dataclass(frozen=True, slots=True)
class Settings:
    """One server's settings.

    `data`: folder of the database. `lead_password_sha256`: hex, "" for no password, which is for a loopback
    address only. `largest_body_bytes`: an upload above it is refused. `now`: the clock, for tests to set.
    """

    data: Path
    lead_password_sha256: str = ""
    largest_body_bytes: int = 4_000_000
    now: Callable[[], datetime.datetime] = field(default=utc_now)

    @property
    def database(self) -> Path:
        """The database file."""
        return self.data / "server.db"


def password_digest(password: str) -> str:
    """Return what is kept of the lead's password while the server runs.

    >>> len(password_digest("correct horse"))
    64
    """
    return hashlib.sha256(password.encode("utf-8")).hexdigest()


def instant_text(instant: datetime.datetime) -> str:
    """Return an instant as ISO 8601 UTC with milliseconds and "Z".

    >>> instant_text(datetime.datetime(2026, 3, 2, 7, 14, 5, tzinfo=datetime.UTC))
    '2026-03-02T07:14:05.000Z'
    """
    return instant.astimezone(datetime.UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
