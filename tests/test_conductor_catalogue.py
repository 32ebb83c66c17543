"""The catalogue against itself and against what was read in sources."""

from __future__ import annotations

from math import pi

import pytest

from clearance.conductor.catalogue import (
    GRAVITY,
    MATERIALS,
    PARTS,
    built_in,
    computed_resistance,
    entry,
    find,
    linear,
    models,
    read_catalogue,
    thermal,
    two_part,
)
from clearance.conductor.change_of_state import strain
from clearance.errors import InputError

ENTRIES = list(built_in().values())
ids = [made.name for made in ENTRIES]
CIRCULAR_MIL_M2 = pi / 4 * (25.4e-6) ** 2


def test_drake_is_the_published_one():
    """Published sag-tension sample: 0.7264 sq in, 1.108 in, 1.094 lb/ft, 31500 lb; IEEE 738 copy: 72.84 and 86.89
    uohm/m."""
    drake = find("drake")

    assert drake.area_m2 * 1e6 == pytest.approx(468.6, abs=0.1)
    assert drake.diameter_m * 1e3 == pytest.approx(28.14, abs=0.005)
    assert drake.weight_N_m == pytest.approx(15.97, abs=0.005)
    assert drake.rated_strength_N / 1e3 == pytest.approx(140.1, abs=0.05)
    assert thermal(drake).resistance_ohm_m == pytest.approx((7.284e-5, 8.689e-5), rel=1e-12)


@pytest.mark.parametrize("made", ENTRIES, ids=ids)
def test_weight_is_area_times_density(made):
    """Strands are laid up to 2.5 % longer than the conductor (ASTM B232 mass increments, from memory); none are
    shorter."""
    outer, core = PARTS[made.kind]
    mass = made.outer_area_m2 * MATERIALS[outer].density_kg_m3
    mass += made.core_area_m2 * MATERIALS[core].density_kg_m3 if core else 0.0
    share = made.weight_N_m / GRAVITY / mass

    # A wire with fibres carries a tube besides its clad wires.
    assert 1.008 <= share <= (1.08 if made.kind == "shield with fibres" else 1.026)


@pytest.mark.parametrize(
    "made", [made for made in ENTRIES if made.resistance_basis == "stated"], ids=lambda made: made.name
)
def test_stated_resistance_is_that_of_the_area(made):
    """AC over DC: from 0.995 (parallel core left out of the computed one) to 1.08 at 25 C in the largest."""
    for at, stated in zip((25.0, 75.0), made.resistance_ohm_m, strict=True):
        assert 0.99 <= stated / computed_resistance(made, at) <= 1.085


@pytest.mark.parametrize(
    "made", [made for made in ENTRIES if made.resistance_basis != "stated"], ids=lambda made: made.name
)
def test_computed_resistance_says_so(made):
    assert made.resistance_basis == "computed from area and resistivity"
    assert made.resistance_ohm_m[1] > made.resistance_ohm_m[0] > 0


@pytest.mark.parametrize("made", ENTRIES, ids=ids)
def test_strands_fill_the_diameter(made):
    """Metal fills 66 to 82 % of the circle in round-wire strand of 7 to 103 wires; fibres leave less."""
    share = made.area_m2 / (pi / 4 * made.diameter_m**2)

    assert (0.55 if made.kind == "shield with fibres" else 0.66) <= share <= 0.82


def test_strands_make_the_named_size():
    """kcmil is the outer area in thousands of circular mils; strands are rounded to 0.1 mil, 0.15 % of area."""
    import tomllib
    from importlib import resources

    for name in ("acsr.toml", "aaac.toml"):
        text = (resources.files("clearance.conductor") / "data" / name).read_text("utf-8")
        for table in tomllib.loads(text)["conductors"]:
            assert find(table["name"]).outer_area_m2 / CIRCULAR_MIL_M2 / 1e3 == pytest.approx(table["kcmil"], rel=2e-3)


def test_rated_strength_is_within_what_the_metals_carry():
    """Stress over the aluminium and steel areas: 150 to 200 MPa and 1000 to 1350 MPa together (ASTM B230, B498, from
    memory)."""
    for made in ENTRIES:
        if made.kind == "ACSR":
            low = made.outer_area_m2 * 150e6 + made.core_area_m2 * 1000e6
            assert low <= made.rated_strength_N <= made.outer_area_m2 * 200e6 + made.core_area_m2 * 1350e6, made.name


def test_general_order_95_areas():
    """California PUC General Order 95, Table 23: total areas [sq in] of ACSR."""
    for word, area in {"Drake": 0.7261, "Condor": 0.7053, "Lark": 0.3850, "Ibis": 0.3630, "Partridge": 0.2436}.items():
        assert find(word).area_m2 / 0.0254**2 == pytest.approx(area, rel=2e-3)


def test_handbook_areas():
    """Handbook Table 13.2: total areas [mm2], rounded to 1."""
    for word, area in {
        "Bluebird": 1181,
        "Falcon": 908,
        "Bittern": 689,
        "Grosbeak": 375,
        "Dove": 328,
        "Martin": 772,
    }.items():
        assert find(word).area_m2 * 1e6 == pytest.approx(area, abs=1.0)


@pytest.mark.parametrize("made", ENTRIES, ids=ids)
def test_every_entry_lengthens_and_says_where_it_comes_from(made):
    one = linear(made)

    assert 50e9 <= one.stiffness_N / made.area_m2 <= 200e9
    assert 11e-6 <= one.expansion_per_C <= 23.1e-6
    assert made.source
    assert (two_part(made) is None) == (made.core_area_m2 == 0)
    assert all(strain(model, 0.2 * made.rated_strength_N, 40.0) > 0 for model in models(made))


def test_users_own_entries(tmp_path):
    path = tmp_path / "own.toml"
    path.write_text(
        '[[conductors]]\nname = "Own"\nkind = "ACSR"\nouter = 26\nouter_strand_mm = 4.44\ncore = 7\n'
        "core_strand_mm = 3.45\n"
        'diameter_mm = 28.1\nweight_kg_km = 1628\nrated_strength_kN = 140\nsource = "maker\'s sheet 7"\n'
    )
    own = read_catalogue(path)

    assert find("own", own).area_m2 == pytest.approx(find("Drake").area_m2, rel=2e-3)
    assert find("own", own).resistance_basis == "computed from area and resistivity"


def test_all_mistakes_of_an_entry_are_told_together(tmp_path):
    path = tmp_path / "own.toml"
    path.write_text(
        '[[conductors]]\nname = "Own"\nkind = "ACSX"\ndiametre_mm = 28.1\nweight_kg_km = -3\nrated_strength_kN = 140\n'
    )
    with pytest.raises(InputError) as failure:
        read_catalogue(path)

    message = str(failure.value)
    for part in (
        "kind: expected one of ACSR",
        "diametre_mm: expected a known key",
        "weight_kg_km: expected a number above 0",
        "source",
    ):
        assert part in message


def test_unknown_word_offers_the_nearest():
    with pytest.raises(InputError, match="Did you mean Drake"):
        find("Drke")


def test_acsr_without_its_core_is_refused():
    table = {
        "name": "x",
        "kind": "ACSR",
        "outer_area_mm2": 400,
        "diameter_mm": 28,
        "weight_kg_km": 1600,
        "rated_strength_kN": 100,
        "source": "s",
    }
    with pytest.raises(InputError, match="the core of a conductor of kind ACSR"):
        entry(table)
