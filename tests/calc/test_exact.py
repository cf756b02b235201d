"""Typed readings: what is read, exactly, and what is refused in one sentence."""

from decimal import Decimal
from fractions import Fraction

import pytest

from app.calc.bounds import above, within
from app.calc.errors import Invalid, OutOfRange
from app.calc.exact import Limit, exact, meets, operator_from_text


@pytest.mark.parametrize(
    ("typed", "value"),
    [
        ("0.05", "1/20"), ("0.0500", "1/20"), (".05", "1/20"), ("5e-2", "1/20"), ("5.E-2", "1/20"), ("+0.05", "1/20"),
        ("  0.05\t", "1/20"), ("50E-3", "1/20"), ("-3", "-3"), ("\N{MINUS SIGN}3", "-3"), ("1.", "1"), ("007", "7"),
        ("1e99", str(10**99)),
    ],
)  # fmt: skip
def test_every_way_of_typing_is_one_number(typed: str, value: str) -> None:
    """A decimal is read without loss however it is typed."""
    assert exact(typed, name="Reading") == Fraction(value)


def test_other_exact_types_are_taken() -> None:
    """Decimal, Fraction and int are taken as they are."""
    assert exact(Decimal("0.0500"), name="Reading") == Fraction(1, 20)
    assert exact(Fraction(1, 3), name="Reading") == Fraction(1, 3)
    assert exact(7, name="Reading") == 7


@pytest.mark.parametrize(
    "typed",
    ["", " ", "abc", "nan", "NaN", "inf", "-inf", "1,5", "1 000", "1_000", "0x10", "1/3", "--1", "1e", "1e100", "1.2.3",
     "٣", "１", "5%", "9" * 41, "e5", ".", "+", "1\n2"],
)  # fmt: skip
def test_what_is_no_number_is_refused_by_name(typed: str) -> None:
    """NaN, infinity, commas, fractions, foreign digits, units and overlong text are refused by name."""
    with pytest.raises(Invalid, match="Upstream reading"):
        exact(typed, name="Upstream reading")


@pytest.mark.parametrize("bad", [0.05, float("nan"), True])
def test_floats_and_booleans_are_refused(bad: float) -> None:
    """A float is not what was typed, and a boolean is no reading."""
    with pytest.raises(Invalid, match="as the text that was typed"):
        exact(bad, name="Reading")  # type: ignore[arg-type]


def test_decimal_nan_is_refused() -> None:
    """A Decimal that is no number is refused."""
    with pytest.raises(Invalid, match="not a number"):
        exact(Decimal("NaN"), name="Reading")


@pytest.mark.parametrize(("text", "operator"), [("<", "<"), (" <= ", "<="), ("≤", "<="), ("LT", "<"), ("le", "<=")])
def test_operators_are_read(text: str, operator: str) -> None:
    """Signs and letters both do."""
    assert operator_from_text(text) == operator


@pytest.mark.parametrize("text", ["", ">", "=", "=<", "=="])
def test_other_operators_are_refused(text: str) -> None:
    """Only upper limits exist."""
    with pytest.raises(Invalid, match="use < or <="):
        operator_from_text(text)


def test_comparison_does_not_round() -> None:
    """A value one part in 10^30 over the limit is over it."""
    limit = Limit(Fraction(1), "<=", "site value")

    assert meets(Fraction(1), limit)
    assert not meets(Fraction(1) + Fraction(1, 10**30), limit)


@pytest.mark.parametrize(
    ("value", "inside"), [(0.0, True), (10.0, True), (-1e-12, False), (10.000001, False), (float("nan"), False)]
)
def test_within_has_both_ends(value: float, inside: bool) -> None:
    """Both ends are inside; one step beyond, and NaN, are refused with bound and source."""
    if inside:
        assert within(value, 0.0, 10.0, name="Angle", unit="°") == value
    else:
        with pytest.raises(OutOfRange, match=r"Angle .* is outside 0 to 10 ° \(this program's bound"):
            within(value, 0.0, 10.0, name="Angle", unit="°")


@pytest.mark.parametrize(("value", "inside"), [(0.0, False), (1e-300, True), (10.0, True), (float("inf"), False)])
def test_above_leaves_its_lower_end_out(value: float, inside: bool) -> None:
    """The lower end is outside, the upper one inside."""
    if inside:
        assert above(value, 0.0, 10.0, name="Flow") == value
    else:
        with pytest.raises(OutOfRange, match="must be more than 0"):
            above(value, 0.0, 10.0, name="Flow")
