"""What all routes share: settings, database and records of one server."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from fastapi import Request

from server.records import Records
from server.settings import Settings
from server.store import Store

if TYPE_CHECKING:
    from server.live import Live


@dataclass(frozen=True, slots=True)
class Shop:
    """One server's parts."""

    settings: Settings
    store: Store
    records: Records
    live: Live


def shop_of(request: Request) -> Shop:
    """Return the parts of the server that answers this request."""
    shop: Shop = request.app.state.shop
    return shop
