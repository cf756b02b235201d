"""Canonical bytes against the vectors of RFC 8785, and the strict reader against everything ambiguous."""

import json
import struct
from hashlib import sha256
from typing import Any

import pytest
import rfc8785
from hypothesis import given
from hypothesis import strategies as st

from app.calc.errors import Invalid
from app.ledger.canonical import Json, canonical, parse_strict, read_canonical, read_with_items

# RFC 8785, section 3.2.2, the sample object as printed, and its canonical form from section 3.2.4.
SAMPLE = r"""{
  "numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],
  "string": "\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/",
  "literals": [null, true, false]
}"""
SAMPLE_CANONICAL = (
    '{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],'
    r'"string":"€$\u000f\nA' + r"""'B\"\\\\\"/"}"""
)
# RFC 8785, appendix B: the bits of a double and its text.
DOUBLES = {
    "0000000000000000": "0",
    "8000000000000000": "0",
    "0000000000000001": "5e-324",
    "7fefffffffffffff": "1.7976931348623157e+308",
    "4340000000000000": "9007199254740992",
    "4430000000000000": "295147905179352830000",
    "44b52d02c7e14af5": "9.999999999999997e+22",
    "44b52d02c7e14af6": "1e+23",
    "444b1ae4d6e2ef50": "1e+21",
    "3eb0c6f7a0b5ed8c": "9.999999999999997e-7",
    "3eb0c6f7a0b5ed8d": "0.000001",
    "becbf647612f3696": "-0.0000033333333333333333",
    "43143ff3c1cb0959": "1424953923781206.2",
}
# RFC 8785, section 3.2.3: names in the order that UTF-16 units give.
NAMES_IN_ORDER = ["\r", "1", "\u0080", "ö", "€", "\U0001f600", "\ufb33"]

numbers = st.integers(-(2**53) + 1, 2**53 - 1) | st.floats(-1e15, 1e15)
texts = st.text(st.characters(exclude_categories=["Cs"]), max_size=8)
values = st.recursive(
    st.none() | st.booleans() | numbers | texts,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(texts, inner, max_size=4),
    max_leaves=12,
)


def double(bits: str) -> float:
    """Return the double with these sixteen hex digits."""
    number: float = struct.unpack(">d", bytes.fromhex(bits))[0]
    return number


def test_the_sample_of_the_rfc_comes_out_byte_for_byte() -> None:
    """The RFC's own sample gives the RFC's own 118 bytes."""
    found = canonical(parse_strict(SAMPLE))

    assert found == SAMPLE_CANONICAL.encode()
    assert len(found) == 118
    assert sha256(found).hexdigest() == "2d5e01a318d0f0879ab568c4be289c8b1f64ef8921a53c6277d5e069978baacb"


@pytest.mark.parametrize(("bits", "text"), DOUBLES.items())
def test_doubles_are_written_as_the_rfc_prints_them(bits: str, text: str) -> None:
    """Every finite double of appendix B has the text of appendix B."""
    assert canonical(double(bits)) == text.encode()


@pytest.mark.parametrize("bits", ["7fffffffffffffff", "7ff0000000000000", "fff0000000000000"])
def test_a_number_that_is_none_is_refused(bits: str) -> None:
    """NaN and Infinity have no canonical form."""
    with pytest.raises(Invalid):
        canonical(double(bits))


def test_names_are_sorted_by_utf_16_unit() -> None:
    """A character above U+FFFF sorts before U+FB33, as UTF-16 has it and code points have not."""
    found = json.loads(canonical(dict.fromkeys(reversed(NAMES_IN_ORDER), 0)))

    assert list(found) == NAMES_IN_ORDER


def test_decomposed_text_stays_decomposed() -> None:
    """Nothing is normalised: the A and its ring stay two characters."""
    assert canonical("A\u030a") == b'"A\xcc\x8a"'


@pytest.mark.parametrize(
    "value",
    [b"bytes", object(), {1: "a"}, {"\ud800": 1}, "\udead", ["\udead"], 2**53, -(2**53), {"a": {2, 3}}],
    ids=[
        "bytes",
        "object",
        "number as name",
        "half pair as name",
        "half pair",
        "half pair inside",
        "2^53",
        "-2^53",
        "set",
    ],
)
def test_what_has_no_canonical_form_is_refused_in_our_words(value: Any) -> None:
    """Foreign errors of the library never pass the edge."""
    with pytest.raises(Invalid) as refusal:
        canonical(value)

    assert str(refusal.value).endswith((".", "again."))


def test_endless_depth_is_refused_both_ways() -> None:
    """Nesting that would exhaust the interpreter is refused, not crashed on."""
    deep: list[Any] = []
    for _ in range(100_000):
        deep = [deep]

    with pytest.raises(Invalid, match="nested too deep"):
        canonical(deep)
    with pytest.raises(Invalid, match="nested too deep"):
        parse_strict("[" * 100_000)
    while deep:
        deep = deep.pop()


@pytest.mark.parametrize(
    ("data", "says"),
    [
        ('{"a":1,"b":2,"a":3}', "stands twice"),
        ('{"x":[{"\\u0061":1,"a":1}]}', "stands twice"),
        ("NaN", "NaN"),
        ("[-Infinity]", "-Infinity"),
        ("1e400", "beyond what a double"),
        ("-1E400", "beyond what a double"),
        ("9007199254740992", "beyond 2"),
        ("-9007199254740992", "beyond 2"),
        ("1" * 5000, "beyond 2"),
        ('"\\udead"', "surrogate"),
        ('{"\\ud800":1}', "surrogate"),
        ('"\ud800"', "surrogate"),
        (b'"\xff"', "not UTF-8"),
        (b'"\xed\xa0\x80"', "not UTF-8"),
        (b"\xef\xbb\xbf1", "not JSON"),
        ("", "not JSON"),
        ("1 2", "not JSON"),
        ('"a\nb"', "not JSON"),
        ("[01]", "not JSON"),
        ("{'a':1}", "not JSON"),
    ],
)
def test_what_two_readers_could_take_differently_is_refused(data: bytes | str, says: str) -> None:
    """Each kind of ambiguity has its own sentence."""
    with pytest.raises(Invalid, match=says):
        parse_strict(data)


@pytest.mark.parametrize("text", ["9007199254740991", "-9007199254740991", "0.1", "-0.0", '"\\ud83d\\ude00"', " [ ] "])
def test_the_edge_of_i_json_is_still_read(text: str) -> None:
    """The largest exact whole number, a true pair of surrogates and spaces are all right."""
    assert parse_strict(text) == json.loads(text)


@given(values)
def test_canonical_bytes_read_back_to_the_same_bytes(value: Json) -> None:
    """Writing, reading and writing again changes nothing."""
    once = canonical(value)

    assert canonical(read_canonical(once)) == once


@given(values, st.sampled_from([None, 1]), st.booleans())
def test_only_the_canonical_spelling_is_read(value: Json, indent: int | None, ascii_only: bool) -> None:
    """Any other spelling of a value is refused, whichever way the reader takes."""
    other = json.dumps(value, indent=indent, ensure_ascii=ascii_only).encode()

    if other == canonical(value):
        assert read_canonical(other) == value
    else:
        with pytest.raises(Invalid):
            read_canonical(other)


@pytest.mark.parametrize(
    "spelling",
    [
        b'{"b":1,"a":2}',
        b'{"a":1,"a":1}',
        b'{"a": 1}',
        b'"\\u00e9"',
        b'"\\/"',
        b'"\\u000A"',
        b"1.0",
        b"-0",
        b"1e2",
        b"10000000000000000.0",
        b"9007199254740993",
        '{"\ufb33":0,"\U0001f600":0}'.encode(),
        b"[1]\n",
        b"\xff",
        b"[" * 5000,
    ],
    ids=repr,
)
def test_another_spelling_is_refused(spelling: bytes) -> None:
    """Order, spaces, escapes and number forms are all part of the form."""
    with pytest.raises(Invalid):
        read_canonical(spelling)


@pytest.mark.parametrize(
    "payload", ['{"\U0001f600":0,"\ufb33":0}', "[0.002,1e+30]", '"N·m \U0001f600"', "123456789012345678e-10"]
)
def test_the_slow_way_accepts_what_the_quick_way_cannot_judge(payload: str) -> None:
    """Floats and characters above U+FFFF are judged by the strict reader and the library."""
    written = canonical(json.loads(payload))

    assert canonical(read_canonical(written)) == written


@given(values)
def test_the_quick_writer_and_the_library_write_the_same_bytes(value: Json) -> None:
    """Whichever way a value is written, it is the form of RFC 8785 as the reference library (rfc8785) has it."""
    assert canonical(value) == rfc8785.dumps(value)


@pytest.mark.parametrize(
    "value",
    [
        {"\U0001f600": 0, "\ufb33": 0},
        {"a": (1, 2)},
        {"b": True, "a": [1.0, -0.0, 1e21]},
        "\x7f\u2028\x1f",
        10**15,
        -(10**14),
    ],
    ids=repr,
)
def test_what_the_quick_writer_cannot_prove_is_left_to_the_library(value: Json) -> None:
    """UTF-16 order, tuples, floats and long numbers come out as the library writes them."""
    assert canonical(value) == rfc8785.dumps(value)


@given(st.dictionaries(texts, values, max_size=3), st.lists(values, max_size=4))
def test_the_items_of_a_list_are_written_as_each_by_itself(beside: dict[str, Json], items: list[Json]) -> None:
    """Whatever stands in the list and beside it, with floats, long numbers and characters above U+FFFF."""
    payload = canonical({**beside, "items": items})

    assert read_with_items(payload, "items") == (read_canonical(payload), [canonical(item) for item in items])


@pytest.mark.parametrize("payload", [b"[]", b"1", b"{}", b'{"items":{"a":1}}', b'{"items":null}'], ids=repr)
def test_without_such_a_list_there_are_no_items(payload: bytes) -> None:
    """Any other value is read as it is."""
    assert read_with_items(payload, "items") == (read_canonical(payload), [])


@pytest.mark.parametrize("payload", [b"{ }", b'{"b":1,"a":2}', b"[1.0]", b"\xff"], ids=repr)
def test_another_spelling_has_no_items_either(payload: bytes) -> None:
    """What the reader refuses is refused with items, too."""
    with pytest.raises(Invalid):
        read_with_items(payload, "items")
