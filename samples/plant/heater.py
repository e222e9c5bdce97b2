"""Requests and setpoints over time → the registers of a zone controller; pure, no clock of its own."""

from __future__ import annotations

from random import Random

REGISTERS = 100  # addresses 0 to 99: reading 5 from 96 crosses the end
TEMPERATURE, SETPOINT_IN_FORCE, OUTPUT, STATUS, SECONDS, TRIPS = 0, 1, 2, 3, 4, 5
PROBES = range(6, 16)  # further thermocouples along the belt
SETPOINT, RESET = 40, 41  # written by the PLC
TABLE = range(44, 96)  # scratch, for what a recipe brings
CYCLIC_WRITES = (1, 2, 3)  # zones that get their setpoint every cycle; the others when it changes
SERIAL_NUMBER = 96  # to the end, four registers
SERIAL_WORDS = (0x4F56, 0x454E, 2024)  # before the zone's number

HEATING, TRIPPED = 1, 2  # bits of the status register
WATCHDOG_S = 3.0
AMBIENT = 300.0  # 0.1 °C
TIME_CONSTANT_S = 45.0
FULL_OUTPUT_AT = 300.0  # 0.1 °C below the setpoint


class Heater:
    """One heating zone; its watchdog shuts the output off after 3 s without a feed, until it is reset."""

    def __init__(self, number: int, setpoint: int) -> None:
        self.number = number
        self.rng = Random(number)
        self.setpoint = setpoint
        self.temperature = float(setpoint)
        self.tripped = False
        self.trips = 0
        self.fed_s: float | None = None
        self.stepped_s = 0.0

    def notice(self, now_s: float, *, is_feed: bool) -> None:
        """Take notice of a request at ``now_s``."""
        if not self._is_fed(now_s):
            self._step(max(self.stepped_s, (self.fed_s or 0.0) + WATCHDOG_S))
            self.trips += not self.tripped
            self.tripped = True
        if is_feed:
            self.fed_s = now_s
        self._step(now_s)

    def write(self, address: int, value: int) -> None:
        """Take notice of a written register."""
        if address == SETPOINT:
            self.setpoint = value
        if address == RESET and value and self._is_fed(self.stepped_s):
            self.tripped = False

    def fill(self, registers: list[int]) -> None:
        """Put the present values into ``registers`` (all 100, 16 bits each)."""
        heating = not self.tripped and self.setpoint > 0
        lacking = max(0.0, self.setpoint - self.temperature) / FULL_OUTPUT_AT
        registers[TEMPERATURE] = self._measured(0)
        registers[SETPOINT_IN_FORCE] = self.setpoint
        registers[OUTPUT] = int(1000 * min(1.0, 0.2 + lacking)) if heating else 0
        registers[STATUS] = HEATING * heating + TRIPPED * self.tripped
        registers[SECONDS] = int(self.stepped_s) & 0xFFFF
        registers[TRIPS] = self.trips
        for place, address in enumerate(PROBES):
            registers[address] = self._measured(15 * place)
        registers[RESET] = 0
        registers[SERIAL_NUMBER:REGISTERS] = (*SERIAL_WORDS, self.number)

    def _is_fed(self, now_s: float) -> bool:
        return self.fed_s is None or now_s - self.fed_s <= WATCHDOG_S

    def _measured(self, below: int) -> int:
        return max(0, round(self.temperature - below + self.rng.uniform(-3.0, 3.0)))

    def _step(self, now_s: float) -> None:
        target = AMBIENT if self.tripped else float(self.setpoint)
        share = min(1.0, max(0.0, now_s - self.stepped_s) / TIME_CONSTANT_S)
        self.temperature += (target - self.temperature) * share
        self.stepped_s = now_s
