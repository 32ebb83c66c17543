"""Owns notes on what a jurisdiction allows, as data: shown with the distances, never enforced.

>>> [note.place for note in notes("osha-1910.269")][2:]
['United States', 'Washington State, United States', 'California, United States']
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from clearance.rules.records import Grade


@dataclass(frozen=True)
class JurisdictionNote:
    """One note.

    rules: the rules it is shown with; empty for every rule
    grade: how the text is known
    """

    place: str
    text: str
    source: str
    grade: Grade
    rules: tuple[str, ...] = ()

    def __str__(self) -> str:
        return f"{self.place}: {self.text} ({self.source}; {self.grade})"


WIND = (
    "work is forbidden when wind reduces the distances at the work below those required, unless insulating guards "
    "cover the lines and equipment"
)
WIND_CLAUSE = "29 CFR 1910.269(q)(3)(vi)"
_US = ("osha-1910.269", "osha-1910.269-table")

NOTES: tuple[JurisdictionNote, ...] = (
    JurisdictionNote(
        "United States",
        "the bare-hand rules cover insulated equipment, insulated tools, aerial devices and platforms used for the "
        "work, so an insulating ladder too; what they ask of a lift or its bucket alone is for a ladder an analogy",
        "29 CFR 1910.269(q)(3)(iii)",
        "read",
        _US,
    ),
    JurisdictionNote("United States", WIND, WIND_CLAUSE, "read", _US),
    JurisdictionNote(
        "United States",
        "the current along an insulating boom is measured daily, 3 minutes at the voltage to be met, and again at a "
        "higher voltage or under changed conditions: at most 1 microampere per kilovolt of nominal phase-to-ground "
        "voltage; for a ladder an analogy",
        "29 CFR 1910.269(q)(3)(xiii)(B)",
        "read",
        _US,
    ),
    JurisdictionNote(
        "Washington State, United States", "live-line barehand work is prohibited", "WAC 296-45-902, note", "read", _US
    ),
    JurisdictionNote(
        "California, United States",
        "above 72.5 kV the employer determines T by an engineering analysis (since 1 October 2018) and makes it "
        "available on request",
        "California Code of Regulations, Title 8, section 2940.2(a)(1)(A)",
        "read",
        _US,
    ),
    JurisdictionNote(
        "China",
        "making or breaking earth current, an unloaded line or the current of a coupling capacitor through the "
        "shielding suit is forbidden",
        "power-industry work-safety rules",
        "read",
        ("gb-26859",),
    ),
    JurisdictionNote(
        "European Union",
        "the action levels of the electric field depend on the frequency f: low 5.0e5 / f, high 1.0e6 / f V/m, so "
        "10 and 20 kV/m at 50 Hz, 8.33 and 16.67 kV/m at 60 Hz",
        "Directive 2013/35/EU, as transposed in UK SI 2016/1026, schedule, part 2",
        "read",
        ("en-50110-1", "iec-61472"),
    ),
    JurisdictionNote(
        "France",
        "distances allow for all possible movements of the energised line, and for swinging and whipping of a broken "
        "part",
        "Labour Code, R4534-109",
        "read",
        ("en-50110-1", "iec-61472"),
    ),
)


def notes(rules: str | Iterable[str] = ()) -> tuple[JurisdictionNote, ...]:
    """The notes that concern a rule or any of several; for none named, all of them."""
    wanted = {rules} if isinstance(rules, str) else set(rules)
    return tuple(note for note in NOTES if not wanted or not note.rules or wanted & set(note.rules))


def wind_clauses(rules: Iterable[str]) -> tuple[str, ...]:
    """What the rules of some names say of wind, with the clause.

    >>> wind_clauses(["osha-1910.269"])[0].startswith("29 CFR 1910.269(q)(3)(vi)")
    True
    """
    return (f"{WIND_CLAUSE}: {WIND}",) if set(rules) & set(_US) else ()
