"""Owns the quality page and the printed summary of a survey. No figures are worked out here beyond what drawing needs.

To print a finding use `print_finding`, to make the page `page`, to print a comparison `print_comparison`; the pictures
come from `survey_figures`.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import jinja2

from clearance.report import survey_figures
from clearance.survey.classes import CLASS_NAMES
from clearance.survey.compare import Comparison
from clearance.survey.records import Finding, Wire

if TYPE_CHECKING:
    from rich.console import Console

MOST_SPANS = 24
"""Spans that are drawn one by one; more are in survey.json and wires.csv, and the page says so."""

TEMPLATES = Path(__file__).parent / "templates"


def _bundle(wire: Wire) -> str:
    if wire.bundle.count == 1:
        return "single"
    return f"{wire.bundle.arrangement} {wire.bundle.spacing_m:.2f} m"


def _ends(wire: Wire, finding: Finding) -> str:
    return " – ".join(finding.structures[k].name if k >= 0 else "open" for k in wire.supports)


def wire_row(wire: Wire, finding: Finding) -> dict[str, str]:
    """One wire in words and figures, with uncertainty and sag error rounded up."""
    return {
        "name": wire.name,
        "kind": wire.kind,
        "ends": _ends(wire, finding),
        "bundle": _bundle(wire),
        "span": f"{wire.span_m:.1f}",
        "sag": f"{wire.sag_m:.2f}",
        "sag_error": f"{math.ceil(wire.sag_error_m * 1000) / 10:.1f}",
        "constant": f"{wire.curve.constant_m:.0f}",
        "rms": f"{wire.curve.rms_vertical * 100:.1f}",
        "rms_lateral": f"{wire.curve.rms_lateral * 100:.1f}",
        "p95": f"{wire.curve.p95_vertical * 100:.1f}",
        "points": f"{len(wire.returns):,}",
        "gap": f"{wire.gap_m:.1f}",
        "uncertainty": f"{math.ceil(wire.uncertainty_m * 100) / 100:.2f}",
    }


def print_finding(finding: Finding, console: Console) -> None:
    """The finding on a console: wires, supports, counts, and what needs a human eye."""
    from rich.markup import escape
    from rich.table import Table

    table = Table(title="Wires", title_justify="left")
    for head in ("wire", "kind", "ends", "bundle", "span [m]", "sag [m]", "RMS [cm]", "returns", "uncertainty [m]"):
        table.add_column(escape(head), justify="left" if head in ("wire", "kind", "ends", "bundle") else "right")
    for wire in finding.wires:
        row = wire_row(wire, finding)
        table.add_row(
            *(row[key] for key in ("name", "kind", "ends", "bundle", "span", "sag", "rms", "points", "uncertainty"))
        )
    if finding.wires:
        console.print(table)
    for line in facts(finding):
        console.print(line, soft_wrap=True)
    for title, counts in (("Kept", finding.kept), ("Dropped", finding.dropped)):
        listed = ", ".join(f"{name} {count:,}" for name, count in counts.items()) or "nothing"
        console.print(f"{title}: {listed}", soft_wrap=True)
    console.print("Look at:")
    for entry in finding.eye:
        console.print(f"  - {entry}", soft_wrap=True, markup=False)


def facts(finding: Finding) -> list[str]:
    """Single figures worth a line."""
    out = []
    if finding.structures:
        listed = ", ".join(f"{tower.name} {tower.height_m:.1f} m" for tower in finding.structures[:12])
        more = f" and {len(finding.structures) - 12} more" if len(finding.structures) > 12 else ""
        out.append(f"Supports, height above ground: {listed}{more}")
    if finding.lowest_wire is not None and finding.ground is not None:
        out.append(f"Lowest wire return above the mean ground: {_down(finding.lowest_wire[0])} m")
    if finding.nearest_other is not None:
        out.append(
            "Nearest return to a wire that is neither wire nor support: "
            f"{_down(finding.nearest_other[0])} m from a wire return"
        )
    return out


def _down(value: float) -> str:
    return f"{math.floor(value * 100 + 1e-9) / 100:.2f}"


def page(finding: Finding, name: str) -> str:
    """The quality page as one HTML file with its pictures inside."""
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(TEMPLATES),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
    )
    spans: list[dict[str, Any]] = []
    numbers = sorted({wire.span for wire in finding.wires})
    for span in numbers[:MOST_SPANS]:
        wires = [wire for wire in finding.wires if wire.span == span]
        spans.append(
            {
                "number": span,
                "ends": _ends(wires[0], finding),
                "profile": survey_figures.profile(finding, wires),
                "section": survey_figures.section(finding, wires),
                "residuals": survey_figures.residuals_along(wires),
            }
        )
    source = [
        (code, CLASS_NAMES.get(code, "user's own or reserved"), f"{count:,}")
        for code, count in finding.source_classes.items()
    ]
    ground = finding.ground
    return environment.get_template("survey.html").render(
        name=name,
        finding=finding,
        scans=finding.scans,
        files=[(file.path.name, f"{file.points:,}", file.version, file.point_format) for file in finding.scans.files],
        total=f"{finding.scans.points:,}",
        plan=survey_figures.plan(finding),
        spans=spans,
        left_out=max(0, len(numbers) - MOST_SPANS),
        wires=[wire_row(wire, finding) for wire in finding.wires],
        structures=[
            (
                tower.name,
                f"{tower.base[0] + finding.scans.origin[0]:.2f}",
                f"{tower.base[1] + finding.scans.origin[1]:.2f}",
                f"{tower.base[2] + finding.scans.origin[2]:.2f}",
                f"{tower.height_m:.1f}",
                f"{tower.points:,}",
                f"{math.ceil(tower.uncovered_m * 100) / 100:.2f}",
            )
            for tower in finding.structures
        ],
        kept=[(key, f"{count:,}") for key, count in finding.kept.items()],
        dropped=[(key, f"{count:,}") for key, count in finding.dropped.items()],
        source=source,
        facts=facts(finding),
        ground=None
        if ground is None
        else {
            "basis": ground.basis,
            "cell": f"{ground.cell:g}",
            "seen": f"{100 * float(ground.seen.mean()):.0f}",
            "gap": f"{float(ground.gap_error.max()):.2f}",
            "uncertainty": f"{ground.uncertainty_m:.2f}",
        },
        others={
            "thin": f"{finding.others.thin_m:.2f}",
            "uncovered": f"{math.ceil(finding.others.uncovered_m * 100) / 100:.2f}",
            "written": f"{len(finding.others.points):,}",
            "total": f"{finding.others.total:,}",
        },
    )


def print_comparison(comparison: Comparison, console: Console) -> None:
    """A comparison on a console."""
    from rich.markup import escape
    from rich.table import Table

    table = Table(title="Second survey less first", title_justify="left")
    for head in (
        "wire",
        "in the second",
        "stretch [m]",
        "sag [m]",
        "sag change [m]",
        "± 95 % [m]",
        "height change [m]",
        "± 95 % [m]",
        "sag change",
    ):
        table.add_column(escape(head), justify="left" if head in ("wire", "in the second", "sag change") else "right")
    for change in comparison.changes:
        table.add_row(
            change.first,
            change.second,
            f"{change.stretch_m:.1f}",
            f"{change.sag_m[0]:.2f} → {change.sag_m[1]:.2f}",
            f"{change.sag_change_m:+.3f}",
            f"{math.ceil(change.sag_error_m * 1000) / 1000:.3f}",
            f"{change.height_change_m:+.3f}",
            f"{math.ceil(change.height_error_m * 1000) / 1000:.3f}",
            "larger than its error" if change.shown else "within its error",
        )
    if comparison.changes:
        console.print(table)
    else:
        console.print("No wire of the first survey is in the second.")
    for title, names in (
        ("Only in the first survey", comparison.only_first),
        ("Only in the second", comparison.only_second),
    ):
        if names:
            console.print(f"{title}: {', '.join(names)}", soft_wrap=True)
