"""Owns the records of what conductors are made of and what weather they meet: the catalogue's additions, the state a
wire is known in, sags measured on site, and the ranges of weather.

Every number is in the unit its field name ends with. `hanging` turns these into what `clearance.conductor.placing`
works on.
"""

from __future__ import annotations

from typing import Any, ClassVar, Literal

from pydantic import Field, model_validator

from clearance.scene.records_base import NotNegative, Positive, Range, Record, Span, Text, wrong


class OwnConductor(Record):
    """A conductor of the user's own, beside those of the catalogue."""

    word: ClassVar[str] = "conductor"
    name: Text = Field(description="its code word")
    kind: Literal["ACSR", "AAC", "AAAC", "steel", "aluminium-clad steel", "shield with fibres"] = Field(
        description="what it is made of"
    )
    diameter_m: Positive = Field(description="outer diameter")
    weight_N_m: Positive = Field(description="weight per metre")
    rated_strength_kN: Positive = Field(description="rated tensile strength")
    outer: int | None = Field(None, gt=0, description="number of outer strands, or of all")
    outer_strand_m: Positive | None = Field(None, description="their diameter")
    core: int | None = Field(None, gt=0, description="number of core strands")
    core_strand_m: Positive | None = Field(None, description="their diameter")
    outer_area_mm2: Positive | None = Field(None, description="area of the outer layer, or of the whole")
    core_area_mm2: Positive | None = Field(None, description="area of the core")
    modulus_GPa: Positive | None = Field(None, description="final modulus of the whole")
    # Not "_per_C": that ending would take the Fahrenheit of a temperature.
    expansion_per_degC: Positive | None = Field(None, description="thermal expansion of the whole")
    resistance_ohm_km: tuple[float, float] | None = Field(None, description="AC resistance at 25 and 75 degrees C")
    source: Text = Field(description="where the figures are from")


class KnownState(Record):
    """When a wire hangs as stated."""

    word: ClassVar[str] = "known"
    conductor_C: float = Field(ge=-60, le=250, description="conductor temperature at which it hangs as stated")
    basis: Text = Field(description="how that is known: stringing record, survey, scan")


class SagCheck(Record):
    """A sag measured on site."""

    word: ClassVar[str] = "check"
    sag_m: Positive = Field(description="measured sag, vertical, at half the span")
    at_C: float = Field(ge=-60, le=250, description="conductor temperature when it was measured")
    by: Text = Field(description="who measured it, and how")


class LoadOnWire(Record):
    """Something that hangs on a tensioned wire at a point, in still air: it bends the wire there."""

    word: ClassVar[str] = "load"
    what: Text | None = Field(None, description="what it is: a spacer, a ladder hung on the wire, a trolley, a worker")
    at_m: NotNegative | None = Field(None, description="where, horizontally along the wire from its from_m")
    weight_kN: Positive | None = Field(None, description="its weight, on all subconductors together")
    wire: Text | None = Field(
        None, description="instead: a dropper or jumper with an end on this wire; its weight and pull are worked out"
    )
    when_stated: Literal["on", "off"] = Field(
        description='whether it hung there when the wire hung as stated: "on", or "off" where it came later'
    )
    basis: Text | None = Field(None, description="where its weight is from")


class LoadOfStage(Record):
    """Something that a stage hangs on a wire."""

    word: ClassVar[str] = "load put on"
    what: Text = Field(description="what it is: a worker, a ladder hung on the wire, a trolley")
    at_m: NotNegative = Field(description="where, horizontally along the wire from its from_m")
    weight_kN: Positive = Field(description="its weight")
    basis: Text = Field(description="where its weight is from")


class Weather(Record):
    """What the wires may meet during the job, as ranges."""

    word: ClassVar[str] = "weather"
    air_C: Span = Field(description="air temperature")
    wind_m_s: Span = Field(Range(0.0, 0.0), description="wind speed, the mean where a gust factor is given")
    wind_from_deg: Span | None = Field(
        None, description="bearing the wind comes from, clockwise from the y axis; any if absent"
    )
    gust_factor: float = Field(1.0, ge=1, le=3, description="factor on the highest speed")
    current_A: Span | None = Field(None, description="current in each phase")
    sun_W_m2: Span = Field(Range(0.0, 1050.0), description="sun and sky heat; up to 1050 W/m2 if absent")
    conductor_C: Span | None = Field(None, description="temperature of the conductors, instead of the heat balance")
    ice_m: Span = Field(Range(0.0, 0.0), description="thickness of ice around every conductor")
    ice_weight_N_m: Span | None = Field(None, description="instead: weight of ice per metre of each subconductor")
    ice_kg_m3: float = Field(900.0, ge=100, le=1000, description="its density; 900 for glaze, less for rime")
    basis: Text = Field(description="where the ranges are from")

    @model_validator(mode="after")
    def _sensible(self) -> Weather:
        for name, least, most in (("air_C", -60, 60), ("wind_m_s", 0, 60), ("sun_W_m2", 0, 1500)):
            found = getattr(self, name)
            if found.lo < least or found.hi > most:
                raise wrong(f"{name} between {least} and {most}", f"{name} is [{found.lo:g}, {found.hi:g}]")
        if self.ice_m.lo < 0 or self.ice_m.hi > 0.15:
            raise wrong("ice of at least 0 and at most 150 mm", "check the unit of ice_m")
        if self.ice_weight_N_m is not None and self.ice_weight_N_m.lo < 0:
            raise wrong("an ice_weight_N_m of at least 0", "mend the range")
        if self.ice_weight_N_m is not None and self.ice_m.hi > 0:
            raise wrong("ice_m or ice_weight_N_m", "state the one or the other")
        if self.current_A is not None and self.current_A.lo < 0:
            raise wrong("current_A of at least 0", f"current_A is [{self.current_A.lo:g}, {self.current_A.hi:g}]")
        if self.wind_from_deg is not None and not 0 <= self.wind_from_deg.lo <= self.wind_from_deg.hi <= 720:
            raise wrong("wind_from_deg between 0 and 720", "write a range over north as [350, 370]")
        return self


class ConductorOfWire(Record):
    """What a wire's table says of its conductor; its field is part of every wire."""

    word: ClassVar[str] = "wire"
    conductor: Text | None = Field(
        None, description="code word of its conductor, in the catalogue or under [[conductors]]"
    )
    ice_m: Span | None = Field(None, description="thickness of ice around it, instead of the weather's")


class StateOfSpan(Record):
    """When a tensioned wire hangs as stated; its fields are part of every span, not of a loose wire, whose length
    says it."""

    word: ClassVar[str] = "wire"
    known: KnownState | None = Field(None, description="at what conductor temperature it hangs as stated")
    checks: tuple[SagCheck, ...] = Field((), description="sags measured on site")
    loads: tuple[LoadOnWire, ...] = Field((), description="what hangs on it at points when the job begins")


class ConductorsOfScene(Record):
    """What a scene says of conductors and weather; its fields are part of the scene."""

    word: ClassVar[str] = "scene"
    conductors: tuple[OwnConductor, ...] = Field((), description="conductors of the user's own")
    weather: Weather | None = Field(None, description="what the wires may meet during the job")


def catalogue_table(own: OwnConductor) -> dict[str, Any]:
    """The entry as a table with the keys of the catalogue's data files.

    >>> own = OwnConductor(name="x", kind="AAAC", diameter_m=0.02, weight_N_m=8.0, rated_strength_kN=80.0,
    ...                    outer_area_mm2=240.0, source="maker")
    >>> sorted(catalogue_table(own))[:3]
    ['diameter_m', 'kind', 'name']
    """
    table = {key: value for key, value in own.model_dump().items() if value is not None}
    for key in ("outer_strand_m", "core_strand_m"):
        if key in table:
            table[key.replace("_m", "_mm")] = table.pop(key) * 1e3
    if "expansion_per_degC" in table:
        table["expansion_per_C"] = table.pop("expansion_per_degC")
    return table
