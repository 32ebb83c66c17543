"""Owns required distances: every rule a crew may be bound by, with its source and its limits.

To do this, use that:

- a required distance, of one rule or the most conservative of several: `required` -> `Limit`
- a clear insulating length: `insulating_length`; sound insulators in a string: `sound_insulators`
- the overvoltage a rule assumes: `assumed_overvoltage`; the distance of a bare body at potential transfer:
  `transfer_distance`
- which rules there are: `names`; how each of their figures is known: `facts`; what a jurisdiction says:
  `jurisdiction_notes`
- tell "the rule is silent, supply it" from "refused": `RuleSilent`, or `is_missing(error)`

Nothing is extrapolated: outside its range a rule refuses. Distances are unrounded here; `rounding` shows them, always
rounded up.
"""

from clearance.rules.asking import (
    assumed_overvoltage,
    insulating_length,
    required,
    sound_insulators,
    transfer_distance,
)
from clearance.rules.choose import facts, names
from clearance.rules.jurisdiction import JurisdictionNote
from clearance.rules.jurisdiction import notes as jurisdiction_notes
from clearance.rules.records import (
    EXPOSURES,
    GAPS,
    Exposure,
    Fact,
    Gap,
    Grade,
    InsulatingLength,
    Limit,
    RuleReference,
    RuleSilent,
    Transfer,
    What,
    is_missing,
)

__all__ = [
    "EXPOSURES",
    "GAPS",
    "Exposure",
    "Fact",
    "Gap",
    "Grade",
    "InsulatingLength",
    "JurisdictionNote",
    "Limit",
    "RuleReference",
    "RuleSilent",
    "Transfer",
    "What",
    "assumed_overvoltage",
    "facts",
    "insulating_length",
    "is_missing",
    "jurisdiction_notes",
    "names",
    "required",
    "sound_insulators",
    "transfer_distance",
]
