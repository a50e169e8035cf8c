"""What a check has to say about one line of the file contract."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal, Self

__all__ = ["Finding", "Status"]

Status = Literal["ok", "missing", "doubtful", "wrong"]


@dataclass(frozen=True, slots=True)
class Finding:
    """What was found about one item.

    Attributes
    ----------
    item : str
        Where in the file; ``@`` marks an attribute.
    status : str
        ``"ok"``; ``"missing"``: optional and not there; ``"doubtful"``: usable, but look at it; ``"wrong"``.
    found : str
        What is there.
    allowed : str
        What may be there.
    remedy : str
        What to do.
    """

    item: str
    status: Status
    found: str = ""
    allowed: str = ""
    remedy: str = ""

    @classmethod
    def of_error(cls, item: str, error: Exception) -> Self:
        """Take a refusal apart: what was got; allowed: what is; and what to do."""
        found, sign, rest = str(error).partition("; allowed: ")
        allowed, _, remedy = rest.partition(". ")
        if not sign:
            found, allowed = str(error), ""
        # A refusal names file and item; the line does so already.
        _, inside, rest = found.partition(": /")
        found = f"/{rest}" if inside else found
        found = found.removeprefix(f"{item} ")
        return cls(item, "wrong", found, allowed.rstrip("."), remedy)

    def inside(self, file: str) -> Self:
        """Return the same finding, said of one file of several."""
        return replace(self, item=f"{file}: {self.item}")
