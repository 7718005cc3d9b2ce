"""Units: spellings and exact factors (inch, pound: 1959 agreement; standard gravity: CGPM 1901)."""

import pytest

from toolkit.records.units import conversion_factor, unit_name


@pytest.mark.parametrize(
    ("unit", "to", "factor"),
    [
        ("cm", "mm", 10.0),
        ("mm", "cm", 0.1),
        ("in", "cm", 2.54),
        ("kgf", "N", 9.80665),
        ("lb", "N", 4.4482216152605),
        ("N/cm²", "kPa", 10.0),
        ("kg/cm²", "kPa", 98.0665),
        ("psi", "kPa", 6.894757293168361),
        ("min", "s", 60.0),
    ],
)
def test_known_units_convert_exactly(unit: str, to: str, factor: float) -> None:
    assert conversion_factor(unit, to) == pytest.approx(factor, rel=1e-14)


def test_there_and_back_is_one() -> None:
    assert conversion_factor("in", "mm") * conversion_factor("mm", "in") == pytest.approx(1, rel=1e-15)  # type: ignore[operator]


@pytest.mark.parametrize(("unit", "to"), [("cm", "deg"), ("kg", "kPa"), ("furlong", "cm")])
def test_different_quantities_do_not_convert(unit: str, to: str) -> None:
    assert conversion_factor(unit, to) is None


def test_every_unit_of_the_codebook_is_known() -> None:
    from toolkit.records.codebook import load_codebook

    unknown = [unit for unit in load_codebook().measures["unit"].unique() if unit_name(unit) != unit]
    assert unknown == []
