"""Write requests in, the words that they write out: worked examples and pymodbus's converter."""

from __future__ import annotations

import struct

import pytest
from pymodbus.client.mixin import ModbusClientMixin

from mbsniff.site import Register
from tests.audit.made import audited, exchange, master, set_register, site
from tests.builders.plant import Plant
from tests.writes.made import surveyed

# Worked examples of the MODBUS Application Protocol Specification V1.1b3, sections 6.5, 6.6, 6.11, 6.12, 6.17: request,
# reply, {address: value written} as the text beside each says.
EXAMPLES = {
    "6.5": ("05 00AC FF00", "05 00AC FF00", {172: 1.0}),
    "6.6": ("06 0001 0003", "06 0001 0003", {1: 3.0}),
    "6.11": (
        "0F 0013 000A 02 CD01", "0F 0013 000A",
        dict(zip(range(19, 29), (1.0, 0.0, 1.0, 1.0, 0.0, 0.0, 1.0, 1.0, 1.0, 0.0), strict=True)),
    ),
    "6.12": ("10 0001 0002 04 000A 0102", "10 0001 0002", {1: 10.0, 2: 258.0}),
    "6.17": (
        "17 0003 0006 000E 0003 06 00FF 00FF 00FF", "17 0C 00FE 0ACD 0001 0003 000D 00FF",
        {14: 255.0, 15: 255.0, 16: 255.0},
    ),
}  # fmt: skip


@pytest.mark.parametrize("section", EXAMPLES)
def test_the_specification_s_examples(section: str) -> None:
    """What each example says is written is what the trace holds, and its reply is the right echo."""
    request, reply, expected = EXAMPLES[section]
    plant = Plant()
    exchange(master(plant), 1, bytes.fromhex(request), bytes.fromhex(reply))
    made = audited(plant, site())
    assert {r.trace.register.first: r.written.lowest for r in surveyed(plant, site()).registers} == expected
    echoed = {r.verdict for r in made.results if r.code == "writes-echoed"}
    assert echoed == ({"met"} if section != "6.17" else {"cannot be told"})


def test_a_mask_write_s_value_is_unknown() -> None:
    """6.16: the result depends on what the register held, so it is counted and not guessed; its echo is compared."""
    plant = Plant()
    pdu = bytes.fromhex("16 0004 00F2 0025")
    exchange(master(plant), 1, pdu, pdu)
    declared = site(Register("m", first=4, minimum=0, maximum=1))
    made, found = audited(plant, declared), surveyed(plant, declared).registers[0].written
    assert found.count == 1 and found.lowest is None
    verdicts = {r.code: r.verdict for r in made.results}
    assert verdicts["values-in-range"] == "cannot be told"
    assert verdicts["writes-echoed"] == "met"


@pytest.mark.parametrize("order", ["big", "little"])
def test_values_of_two_words_as_pymodbus_writes_them(order: str) -> None:
    """A float and a negative integer, in both word orders, come out as they went in."""
    types = ModbusClientMixin.DATATYPE
    words = ModbusClientMixin.convert_to_registers(21.5, types.FLOAT32, word_order=order)  # type: ignore[arg-type]
    words += ModbusClientMixin.convert_to_registers(-70000, types.INT32, word_order=order)  # type: ignore[arg-type]
    pdu = struct.pack(">BHHB4H", 16, 10, 4, 8, *words)
    plant = Plant()
    exchange(master(plant), 1, pdu, pdu[:5])
    word_order = "high-first" if order == "big" else "low-first"
    registers = (
        Register("f", first=10, count=2, type="float32", word_order=word_order),  # type: ignore[arg-type]
        Register("i", first=12, count=2, type="int32", word_order=word_order, scale=0.1),  # type: ignore[arg-type]
    )
    assert [r.written.lowest for r in surveyed(plant, site(*registers)).registers] == [21.5, -7000.0]


def test_half_a_value_is_unknown() -> None:
    """A write of one of a value's two words does not tell the value."""
    plant = Plant()
    set_register(master(plant), 1, 11, 5)
    made = surveyed(plant, site(Register("f", first=10, count=2, type="float32"))).registers[0].written
    assert made.lowest is None and made.trace.register.first == 10
