"""From a scene's wires and weather to the command `sag`: figures, tables, JSON, pictures, exit codes."""

from __future__ import annotations

import json
from pathlib import Path
from typing import ClassVar

import pytest
import typer
from typer.testing import CliRunner

from clearance.cli.sag import sag
from clearance.conductor.catalogue import linear
from clearance.conductor.lines import Weather as LineWeather
from clearance.conductor.lines import weather_words
from clearance.conductor.summary import summarise
from clearance.errors import ClearanceError, InputError
from clearance.report.sag import check_words, merged_charts
from clearance.report.sag_drawings import draw_sags, file_names
from clearance.scene import reading
from clearance.scene.assemble import assemble
from clearance.scene.hanging import lines_of, place_wires, weather_of
from clearance.scene.records import Jumper, SceneFile, SpanWire
from clearance.scene.records_base import Range, parse_reference
from clearance.scene.records_conductor import (
    ConductorOfWire,
    ConductorsOfScene,
    KnownState,
    OwnConductor,
    SagCheck,
    Weather,
)

DEMO = Path(__file__).parents[1] / "scenes" / "demo.toml"
STRAIN = {"kind": "strain", "length_m": 3.2, "insulating_m": 2.4, "diameter_m": 0.28, "units": 15, "weight_kN": 1.1}
HANGING = {"kind": "suspension", "length_m": 2.7, "insulating_m": 2.3, "diameter_m": 0.28, "units": 15}


class Span(SpanWire, ConductorOfWire):
    """A span with its conductor, whether or not the scene's own records have these fields."""


class Loose(Jumper, ConductorOfWire):
    """A jumper with its conductor."""


class Plugged(SceneFile, ConductorsOfScene):
    """A scene with weather, not checked: its jobs are of other wires."""

    sha256: ClassVar[str] = 64 * "0"


def wire(name="span A", **more):
    given = {
        "kind": "span",
        "name": name,
        "phase": "A",
        "from_m": (0.0, 0.0, 28.0),
        "to_m": (310.0, 0.0, 34.0),
        "sag_m": 7.9,
        "diameter_m": 0.0281,
        "uncertainty_m": 0.0,
        "conductor": "Drake",
        "known": KnownState(conductor_C=20.0, basis="scan"),
    } | more
    return Span(**given)


def weather(**more):
    given = {
        "air_C": Range(5.0, 30.0),
        "wind_m_s": Range(0.0, 8.0),
        "gust_factor": 1.5,
        "current_A": Range(100.0, 700.0),
        "basis": "forecast (invented)",
    } | more
    return Weather(**given)


def scene(*wires, **more):
    base = reading.read_scene(DEMO)
    fields = {name: getattr(base, name) for name in SceneFile.model_fields}
    return Plugged.model_construct(**(fields | {"wires": wires, "weather": weather(), "conductors": ()} | more))


def section():
    """Two spans that meet at a suspension string, and a dropper from the second."""
    first = wire(from_string=STRAIN, to_string=HANGING, checks=(SagCheck(sag_m=8.21, at_C=18.0, by="the scan"),))
    second = wire(
        "span A on", from_m=parse_reference("span A end"), to_m=(590.0, 0.0, 30.0), sag_m=6.5, to_string=STRAIN
    )
    dropper = Loose(
        kind="jumper",
        name="dropper A",
        phase="A",
        from_m=parse_reference("span A on @ 20"),
        to_m=(330.0, 1.0, 24.0),
        length_m=8.0,
        diameter_m=0.0281,
        uncertainty_m=0.0,
        conductor="Drake",
    )
    return scene(first, second, dropper)


@pytest.fixture(scope="module")
def summaries():
    return summarise(place_wires(section()))


def test_every_wire_is_summarised_in_order(summaries):
    assert [one.name for one in summaries] == ["span A", "span A on", "dropper A"]
    first, _, dropper = summaries
    assert first.stated.sag_m == pytest.approx(7.9, abs=1e-9)
    assert first.stated.tension_N == pytest.approx(24400, rel=2e-3)
    assert first.over.sag_m[0] < 7.9 < first.over.sag_m[1]
    assert dropper.loose
    assert dropper.over.tension_N is None
    assert any("where they would pull it straight" in note for note in dropper.notes)
    # The string's weight was not stated: 15 units of 50 N.
    assert any("taken as 750 N" in note for note in first.notes)


def test_scan_against_model_in_words(summaries):
    (words,) = check_words(summaries[0])

    assert words.startswith("span A: the scan: 8.21 m at 18 °C, the model 7.8")
    assert "the model is corrected" in words
    assert summaries[0].correction_m == pytest.approx(8.21 - summaries[0].checks[0].modelled_m, abs=0.02)


def test_stringing_chart_passes_through_the_check_and_the_known_state(summaries):
    """The first span's chart is the corrected one; the section solves both, so strings that lean share the
    difference."""
    rows = {row.conductor_C: row for row in summaries[0].chart}

    assert min(rows) == -10.0
    assert max(rows) >= 80.0
    sag_at_18 = rows[10.0].sag_m + 0.8 * (rows[20.0].sag_m - rows[10.0].sag_m)
    # Corrected to 8.21 m by itself; with its neighbour, as stated, the string leans and gives some of it back.
    assert 7.9 < sag_at_18 < 8.25
    sags = [row.sag_m for row in summaries[0].chart]
    assert sags == sorted(sags)


def test_lone_span_chart_gives_the_stated_sag_at_its_temperature():
    (one,) = summarise(place_wires(scene(wire())))

    assert next(row.sag_m for row in one.chart if row.conductor_C == 20.0) == pytest.approx(7.9, abs=1e-9)
    assert not one.checks


def test_bundle_current_and_weight_are_shared():
    single, twin = wire(), wire("twin", bundle={"count": 2, "spacing_m": 0.4})
    one, two = summarise(place_wires(scene(single, twin)))

    assert two.over.conductor_C[1] < one.over.conductor_C[1]
    assert two.over.swing_rad == pytest.approx(one.over.swing_rad)
    assert "50 to 350 A" in two.over.basis


def test_wires_hang_where_the_assembled_bodies_do():
    """Two ways to the same catenary: strings by their own weight here, in `clearance.bodies.insulator` there."""
    read = reading.read_scene(DEMO)
    placed = place_wires(read)
    for name, hung in assemble(read).wires.items():
        ours = placed[name].nominal

        assert ours.start == pytest.approx(hung.catenary.start, abs=1e-6)
        assert ours.end == pytest.approx(hung.catenary.end, abs=1e-6)
        assert ours.length_m == pytest.approx(hung.catenary.length_m, abs=1e-6)


def test_shield_wire_carries_no_current():
    shield = wire("shield", phase=None, potential="earth", diameter_m=0.00914, conductor="EHS 3/8 in")
    (one,) = summarise(place_wires(scene(shield)))

    assert "0 to 0 A" in one.over.basis


def test_own_conductor_comes_first():
    own = OwnConductor(
        name="Bay 27",
        kind="ACSR",
        diameter_m=0.0281,
        weight_N_m=13.5,
        rated_strength_kN=120.0,
        outer_area_mm2=400.0,
        core_area_mm2=40.0,
        source="maker",
    )
    line = lines_of(scene(wire(conductor="bay 27"), conductors=(own,)))["span A"]

    assert line.conductor.name == "Bay 27"
    assert line.conductor.weight_N_m == 13.5


def test_own_conductor_may_state_the_constants_of_the_whole():
    own = OwnConductor(
        name="shield",
        kind="shield with fibres",
        diameter_m=0.014,
        weight_N_m=6.5,
        rated_strength_kN=100.0,
        outer_area_mm2=95.0,
        modulus_GPa=150.0,
        expansion_per_degC=13e-6,
        resistance_ohm_km=(0.95, 1.12),
        source="maker",
    )
    line = lines_of(scene(wire(conductor="shield", diameter_m=0.014), conductors=(own,)))["span A"]

    assert linear(line.conductor).stiffness_N == pytest.approx(150e9 * 95e-6)
    assert linear(line.conductor).expansion_per_C == 13e-6
    assert line.conductor.resistance_ohm_m == pytest.approx((9.5e-4, 1.12e-3))


def test_mistakes_of_several_wires_are_told_together():
    wires = (
        wire("one", conductor="Drke"),
        wire("two", diameter_m=0.05),
        wire("three", weight_N_m=10.0, sag_m=None, horizontal_tension_kN=20.0),
    )
    with pytest.raises(InputError) as failure:
        lines_of(scene(*wires))

    text = str(failure.value)
    assert "Did you mean Drake" in text
    assert "wire 'two': diameter_m: expected 0.0281 m, as Drake has" in text
    assert "wire 'three': weight_N_m: expected 15.97 N/m, as Drake has" in text


def test_weather_without_what_a_wire_needs_names_the_wire():
    with pytest.raises(InputError, match=r"wire 'span A': known: expected a temperature, as the scene has weather"):
        place_wires(scene(wire(known=None)))


def test_tensioned_span_on_a_moving_wire_is_refused():
    other = wire("on", from_m=parse_reference("span A @ 100"), to_m=(110.0, 60.0, 20.0))
    with pytest.raises(InputError, match=r"wire 'on': from_m: expected an attachment on a structure"):
        place_wires(scene(wire(), other))


def test_string_that_its_spans_lift_is_told():
    low = dict(HANGING, length_m=6.0)
    first = wire(to_m=(310.0, 0.0, 12.0), to_string=low, sag_m=2.0)
    second = wire("span A on", from_m=parse_reference("span A end"), to_m=(620.0, 0.0, 28.0), sag_m=2.0)
    with pytest.raises(InputError, match="a string that its spans lift has none"):
        place_wires(scene(first, second))


@pytest.mark.parametrize(
    ("field", "value", "said"),
    [
        ("air_C", Range(-80.0, 20.0), "air_C between -60 and 60"),
        ("wind_m_s", Range(0.0, 90.0), "wind_m_s between 0 and 60"),
        ("current_A", Range(-5.0, 90.0), "current_A of at least 0"),
        ("wind_from_deg", Range(-20.0, 20.0), "wind_from_deg between 0 and 720"),
    ],
)
def test_impossible_weather_is_refused(field, value, said):
    with pytest.raises(ValueError, match=said):
        weather(**{field: value})


def test_weather_in_si_and_in_words():
    found = weather_of(scene(wire()))

    assert isinstance(found, LineWeather)
    assert found.altitude_m == reading.read_scene(DEMO).altitude_m
    assert weather_words(found).startswith("air 5 to 30 °C; wind 0.0 to 8.0 m/s, any direction; gust factor 1.5")


def test_pictures_are_the_same_bytes_twice(summaries, tmp_path):
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        draw_sags("Heath", summaries, weather_of(section()), tmp_path / name)
    files = sorted(path.name for path in (tmp_path / "one").iterdir())

    assert files == sorted(
        f"{stem}.{kind}" for stem in ("stringing-chart", *file_names(summaries)) for kind in ("svg", "pdf")
    )
    assert all((tmp_path / "one" / file).read_bytes() == (tmp_path / "two" / file).read_bytes() for file in files)
    chart = (tmp_path / "one" / "stringing-chart.svg").read_text("utf-8")
    assert "horizontal tension [kN]" in chart
    assert "sag [m]" in chart
    assert "conductor temperature [°C]" in chart
    assert "<dc:date>" not in chart


def test_charts_that_read_the_same_are_shown_once(summaries):
    twice = [summaries[0], summaries[0]]

    assert [names for names, _ in merged_charts(twice)] == ["span A, span A"]


def run(arguments):
    app = typer.Typer()
    app.command()(sag)
    return CliRunner().invoke(app, [str(part) for part in arguments], env={"COLUMNS": "160"})


def test_command_without_weather_is_incomplete():
    result = run([DEMO])

    assert result.exit_code == 3
    assert "states no weather" in result.stdout
    assert "west bus A" in result.stdout


def test_command_prints_writes_and_ends_with_0(monkeypatch, tmp_path):
    ready = section()
    monkeypatch.setattr(reading, "read_scene", lambda path: ready)
    result = run([DEMO, "--json", tmp_path / "sag.json", "--out", tmp_path / "out"])

    assert result.exit_code == 0, result.output
    for words in (
        "tension [kN]",
        "low point [m]",
        "lowest [m]",
        "swing [°]",
        "Stringing chart",
        "the scan: 8.21 m at 18 °C",
    ):
        assert words in result.stdout
    assert "safe" not in result.stdout.lower()
    assert (tmp_path / "out" / "side-span-a.svg").exists()
    found = json.loads((tmp_path / "sag.json").read_text("utf-8"))
    assert found["format"] == 1
    assert [one["name"] for one in found["wires"]] == ["span A", "span A on", "dropper A"]
    assert found["wires"][0]["range"]["sag_m"][0] < 7.9
    assert found["weather"]["air_C"] == [5.0, 30.0]
    assert len(found["wires"][0]["chart"]) >= 10


def test_command_on_a_file_that_is_not_there():
    result = run(["nowhere.toml"])

    assert isinstance(result.exception, ClearanceError)
