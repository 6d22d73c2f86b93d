"""Our own tag texts, `BC1:<kind>:<id>:<check>`, with a check character.

The check character is ISO/IEC 7064 MOD 37,36 (a published hybrid system for letters and digits) over the
kind and the id, hyphens left out. It finds every single wrong character and nearly every swap of neighbours.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from capture.domain.errors import IdentifierError

PREFIX = "BC1"
KINDS: dict[str, str] = {"B": "badge", "J": "job", "P": "part", "G": "gauge", "L": "place", "T": "basket"}
_ALPHABET = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"
_ID = re.compile(r"(?=.*[A-Z0-9])[A-Z0-9-]{1,24}")


def check_character(text: str) -> str:
    """Return the check character of upper-case letters and digits; hyphens are left out.

    Source: ISO/IEC 7064, hybrid system MOD 37,36.

    >>> check_character("A12425GABC1234002")
    'M'
    """
    rest = 18  # doubled this is 36, where the standard starts
    for sign in text.replace("-", ""):
        rest = ((rest or 36) * 2 % 37 + _ALPHABET.index(sign)) % 36
    return _ALPHABET[(1 - (rest or 36) * 2 % 37) % 36]


@dataclass(frozen=True, slots=True)
class TagText:
    """What one of our tags says: `kind` one letter of `KINDS`, `id` 1 to 24 of A-Z, 0-9 and "-".

    Raises:
        IdentifierError: unknown kind, or an id with other signs.
    """

    kind: str
    id: str

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise IdentifierError(
                f"Tag kind {self.kind!r} is not known",
                thing="tag kind",
                value=self.kind,
                remedy=f"use one of {', '.join(KINDS)}",
            )
        if not _ID.fullmatch(self.id):
            raise IdentifierError(
                f"Tag id {self.id!r} is not 1 to 24 of A-Z, 0-9 and hyphen",
                thing="tag id",
                value=self.id,
                remedy="use upper-case letters, digits and hyphens",
            )

    @property
    def kind_name(self) -> str:
        """The kind as a word, for example "badge"."""
        return KINDS[self.kind]


def to_text(tag: TagText) -> str:
    """Return the text to print as a symbol.

    >>> to_text(TagText("P", "SHOE-03"))
    'BC1:P:SHOE-03:O'
    """
    return f"{PREFIX}:{tag.kind}:{tag.id}:{check_character(tag.kind + tag.id)}"


def is_ours(raw: str) -> bool:
    """Say whether a text claims to be one of ours; `parse` says whether it is right."""
    return raw.startswith(f"{PREFIX}:")


def parse(raw: str) -> TagText:
    """Read one of our tag texts.

    Raises:
        IdentifierError: not of our scheme, malformed, or a wrong check character (misread or misprinted).
    """
    parts = raw.split(":")
    if len(parts) != 4 or parts[0] != PREFIX:
        raise IdentifierError(
            f"Tag {raw[:60]!r} is not of the form {PREFIX}:kind:id:check",
            thing="tag",
            value=raw[:60],
            remedy="read it again or print the tag anew",
        )
    tag = TagText(parts[1], parts[2])
    if parts[3] != check_character(tag.kind + tag.id):
        raise IdentifierError(
            f"Tag {raw!r} has check character {parts[3]!r}, which does not fit",
            thing="tag",
            value=raw,
            remedy="read it again or print the tag anew",
        )
    return tag
