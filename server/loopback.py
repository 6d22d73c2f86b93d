"""Which addresses are this machine alone. This module imports nothing of ours."""

from __future__ import annotations

import ipaddress


def is_loopback(host: str) -> bool:
    """Say whether an address is reached from this machine alone.

    >>> is_loopback("127.0.0.1"), is_loopback("localhost"), is_loopback("0.0.0.0")
    (True, True, False)
    """
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False
