"""Errors of the server. This module imports nothing of ours.

Every error that crosses the network has one JSON shape: code, message, field, value.
"""

from __future__ import annotations


class ServerError(Exception):
    """Root of the server's errors; `exit_code` is what the command returns for it."""

    exit_code = 1


class SetupError(ServerError, ValueError):
    """An option or a file the server was started with is wrong."""

    exit_code = 2


class StoreError(ServerError):
    """The server's database cannot be used; nothing was stored."""

    exit_code = 3


class ApiError(ServerError):
    """A request is refused. `http_code` and `code` stand on the class; `field` and `value` name what was wrong."""

    http_code = 400
    code = "refused"

    def __init__(self, message: str, *, field: str = "", value: str = "") -> None:
        super().__init__(message)
        self.field = field
        self.value = value

    def as_json(self) -> dict[str, str]:
        """Return the one shape of every error.

        >>> Gap("Event 4 is missing", field="acknowledged", value="3").as_json()["code"]
        'gap'
        """
        return {"code": self.code, "message": str(self), "field": self.field, "value": self.value}


class BrokenOff(ApiError):
    """The request ended before its body did."""

    code = "broken-off"


class NoToken(ApiError):
    """The bench's token is missing or wrong."""

    http_code = 401
    code = "token"


class NotTheLead(ApiError):
    """The lead's password is missing or wrong."""

    http_code = 401
    code = "password"


class NotAllowed(ApiError):
    """What was asked may not be done by whoever asked."""

    http_code = 403
    code = "not-allowed"


class NotFound(ApiError):
    """There is nothing of that name."""

    http_code = 404
    code = "not-found"


class Conflict(ApiError):
    """The server holds other content under the same sequence; nothing was overwritten."""

    http_code = 409
    code = "conflict"


class Gap(ApiError):
    """Events are missing before those sent; `value` is what the server holds."""

    http_code = 409
    code = "gap"


class WrongSignature(ApiError):
    """An event is not signed by the key its bench enrolled with; it was not taken."""

    http_code = 422
    code = "signature"


class TooLarge(ApiError):
    """The body is larger than the server takes."""

    http_code = 413
    code = "too-large"


class NotJson(ApiError):
    """The body is not announced as plain JSON."""

    http_code = 415
    code = "not-json"


class Malformed(ApiError):
    """The body is not what the schema says; nothing of it was stored."""

    http_code = 422
    code = "malformed"


class CannotStore(ApiError):
    """The server's disk does not take it; nothing was stored."""

    http_code = 503
    code = "cannot-store"


class TooMany(ApiError):
    """The server has as many of these as it can hold."""

    http_code = 503
    code = "too-many"
