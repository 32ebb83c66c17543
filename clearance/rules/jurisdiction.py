"""Owns notes on what a jurisdiction allows, as data: shown with the distances, never enforced.

>>> [note.place for note in notes("osha-1910.269")]
['United States', 'Washington State, United States', 'California, United States']
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True)
class JurisdictionNote:
    """One note.

    rules: the rules it is shown with; empty for every rule
    confirmed: whether the text was read in a copy of the source
    """

    place: str
    text: str
    source: str
    confirmed: bool
    rules: tuple[str, ...] = ()

    def __str__(self) -> str:
        return f"{self.place}: {self.text} ({self.source}{'' if self.confirmed else '; from memory'})"


_US = ("osha-1910.269", "osha-1910.269-table")

NOTES: tuple[JurisdictionNote, ...] = (
    JurisdictionNote(
        "United States",
        "the bare-hand rules regulate work from aerial lifts; for an insulating ladder the general distances and the "
        "rules on live-line "
        "tools apply",
        "29 CFR 1910.269(q)(3)",
        False,
        _US,
    ),
    JurisdictionNote(
        "Washington State, United States", "live-line barehand work is prohibited", "WAC 296-45-902, note", True, _US
    ),
    JurisdictionNote(
        "California, United States",
        "above 72.5 kV the employer determines T by an engineering analysis (since 1 October 2018) and makes it "
        "available on request",
        "California Code of Regulations, Title 8, section 2940.2(a)(1)(A)",
        True,
        _US,
    ),
    JurisdictionNote(
        "China",
        "making or breaking earth current, an unloaded line or the current of a coupling capacitor through the "
        "shielding suit is forbidden",
        "power-industry work-safety rules",
        True,
        ("gb-26859",),
    ),
    JurisdictionNote(
        "France",
        "distances allow for all possible movements of the energised line, and for swinging and whipping of a broken "
        "part",
        "Labour Code, R4534-109",
        True,
        ("en-50110-1", "iec-61472"),
    ),
)


def notes(rules: str | Iterable[str] = ()) -> tuple[JurisdictionNote, ...]:
    """The notes that concern a rule or any of several; for none named, all of them."""
    wanted = {rules} if isinstance(rules, str) else set(rules)
    return tuple(note for note in NOTES if not wanted or not note.rules or wanted & set(note.rules))
