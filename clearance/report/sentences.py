"""Owns the sentences of a report: what a breach, an undecided verdict or a low margin says in words."""

from __future__ import annotations

from clearance.report.findings import CHECKS, Finding, chain
from clearance.report.numbers import NOTHING, figures


def sentence(finding: Finding) -> str:
    """What a breach, an undecided verdict or a low margin says: where, between what bodies, by how much."""
    check = f", {CHECKS[finding.check]}" if finding.check else ""
    words = f"{finding.what}{check}. "
    numbers = finding.figures
    if finding.subject == "collision":
        words += _collision(finding)
    elif numbers.limit == NOTHING:
        words += f"No distance is required of it by any rule given; the gap is {numbers.gap} m. "
    elif numbers.gap == NOTHING:
        words += "There is no chain between the two. "
    else:
        words += _measured(finding)
    if finding.measure is not None and finding.measure.case != "as stated":
        words += f"Judged with: {finding.measure.case}. "
    return words + (finding.why + "." if finding.why and not finding.why.endswith(".") else finding.why)


def _measured(finding: Finding) -> str:
    numbers = finding.figures
    measure = finding.measure
    by = f"between {chain(measure)} " if measure is not None else ""
    words = f"At {finding.where}: {numbers.gap} m {by}where {numbers.limit} m are required"
    if finding.verdict == "clear":
        return f"{words}: {numbers.margin} m to spare. "
    if finding.verdict == "undecided" and finding.gap is not None and finding.gap.silent:
        return f"{words} at the least: a rule is silent, so take it as not met. "
    if finding.verdict == "undecided":
        reached = f" and {_found(finding)} m found" if measure is not None else ""
        return f"{words}. Between {numbers.gap} m proven{reached} the limit could not be decided: take it as not met. "
    words += f": short by {numbers.short} m. "
    if measure is not None and measure.within_survey_error:
        words += (
            "Within survey error: with all uncertainty left out it would not be a breach; measure on site before "
            "relying on "
            "it. "
        )
    if measure is not None:
        words += (
            f"At this position {_found(finding)} m was found; nowhere in the range is it less than {numbers.gap} m. "
        )
    return words


def _found(finding: Finding) -> str:
    """The witnessed gap, rounded down as every gap, and never so that it contradicts the verdict."""
    assert finding.measure is not None
    return figures(finding.measure.gap_upper_m, finding.required_m).gap


def _collision(finding: Finding) -> str:
    measure = finding.measure
    assert measure is not None
    if finding.verdict == "breach":
        return f"At {finding.where}: {measure.ends[0]} meets {measure.ends[1]}. "
    return f"At {finding.where}: {measure.ends[0]} comes within {finding.figures.gap} m of {measure.ends[1]}. "
