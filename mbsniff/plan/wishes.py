"""A device's cyclic reads and its register list in, which addresses each master wants, and how often, out."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass, field

from mbsniff.diagnose.wording import addresses, counted, listed
from mbsniff.exchange.columns import NO_ADDRESS
from mbsniff.measure import PollFigures
from mbsniff.measure.groups import READS
from mbsniff.plan.cover import Value
from mbsniff.plan.ground import ILLEGAL_ADDRESS, MOST_BITS, MOST_REGISTERS, readable_addresses, unreadable
from mbsniff.plan.periods import round_period
from mbsniff.plan.target import ANY_MASTER, Target
from mbsniff.site import READ_TABLES, Register, Site
from mbsniff.site.register import BITS, LAST_ADDRESS

BLOCK_FUNCTIONS = (1, 2, 3, 4)
_FUNCTIONS = {READ_TABLES[function]: function for function in BLOCK_FUNCTIONS}


@dataclass(frozen=True)
class Fixed:
    """A cyclic read that stays as it is: its function does more than read a block, or has no addresses."""

    master: str
    function: int
    first: int
    count: int
    period_ns: int


@dataclass
class Wishes:
    """What is wanted of one device."""

    periods: dict[tuple[str, int], dict[int, int]] = field(default_factory=dict)
    """(master, function): data address: nanoseconds."""
    held: dict[tuple[str, int], set[int]] = field(default_factory=dict)
    """(master, function): data addresses whose period is not to be stretched."""
    fixed: list[Fixed] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def want(self, master: str, function: int, address: int, period_ns: int) -> None:
        """Add an address; wanted twice, it is wanted at the shorter period."""
        own = self.periods.setdefault((master, function), {})
        own[address] = min(own.get(address, period_ns), period_ns)

    @property
    def masters(self) -> list[str]:
        """Who wants anything."""
        return list(dict.fromkeys([m for m, _ in self.periods] + [f.master for f in self.fixed]))


def wishes(target: Target, site: Site, through: str | None, held: Collection[str]) -> Wishes:
    """What is wanted of the device: its cyclic reads in the recording, and the site file's registers with a period.

    Where both speak of a register, the site file is right. ``through``: the only master that is to read, for all;
    otherwise masters that the site file does not admit to the device are left out, which is noted. ``held``: masters
    whose periods are not to be stretched.
    """
    wanted = Wishes()
    for poll in target.polls:
        if poll.function in READS and poll.kind == "cyclic" and poll.period:
            _recorded(target, poll, max(round_period(poll.period.median), 1), wanted)
    for register in target.registers:
        if register.period_ns is not None and register.readable:
            _listed(target, site, register, register.period_ns, wanted)
    for (master, function), asked in wanted.periods.items():
        wanted.held[master, function] = set(asked) if master in held else set()
    if through is not None:
        return _through(wanted, through)
    return _admitted(target, site, wanted)


def values(target: Target, function: int, periods: dict[int, int]) -> list[Value]:
    """The wanted addresses as values: what is declared to be one value of 32 bits is wanted whole."""
    rest = dict(periods)
    found = []
    for register in target.registers:
        if register.words == 1 or register.table != READ_TABLES[function]:
            continue
        for first in range(register.first, register.last + 1, register.words):
            own = [rest.pop(address) for address in range(first, first + register.words) if address in rest]
            found += [Value(first, register.words, min(own))] if own else []
    return sorted([*found, *(Value(address, 1, period_ns) for address, period_ns in rest.items())])


def _recorded(target: Target, poll: PollFigures, period_ns: int, wanted: Wishes) -> None:
    if poll.function not in BLOCK_FUNCTIONS or poll.start is None or not poll.quantity:
        first = NO_ADDRESS if poll.start is None else poll.start
        wanted.fixed.append(Fixed(poll.master, poll.function, first, poll.quantity or 0, period_ns))
        wanted.notes.append(f"function {poll.function} does more than read a block: it stays as it is")
        return
    most = MOST_BITS if READ_TABLES[poll.function] in BITS else MOST_REGISTERS
    if poll.quantity > most:
        wanted.notes.append(
            f"function {poll.function} asks for {poll.quantity} at once, and the protocol allows {most}: it is left out"
        )
        return
    asked = range(poll.start, min(poll.start + poll.quantity, LAST_ADDRESS + 1))
    taken = [address for address in asked if not unreadable(target, poll.function, address)]
    if target.always_refused(poll, ILLEGAL_ADDRESS):
        known = readable_addresses(target, poll.function)
        taken = [address for address in taken if known[address]]
        left = _told(sorted(set(asked) - set(taken)))
        wanted.notes.append(
            f"function {poll.function}, {addresses(poll.start, poll.quantity)} was always refused with exception 02 "
            f"(no such address)" + (f"; {left} is not known to be readable and is left out" if left else "")
        )
    elif len(taken) < len(asked):
        left = _told(sorted(set(asked) - set(taken)))
        wanted.notes.append(f"{left} is declared unreadable and is left out")
    elif codes := target.only_exceptions(poll):
        told = listed([f"{code:02X}" for code in codes])
        what = f"function {poll.function}, {addresses(poll.start, poll.quantity)}"
        wanted.notes.append(f"{what} never got anything but exception {told}; it is planned all the same")
    for address in taken:
        wanted.want(poll.master, poll.function, address, period_ns)


def _told(missing: list[int]) -> str:
    if not missing:
        return ""
    return addresses(missing[0], missing[-1] - missing[0] + 1)


def _listed(target: Target, site: Site, register: Register, period_ns: int, wanted: Wishes) -> None:
    """A register with a period: for the masters that it names, else for whoever reads it most often."""
    function = _FUNCTIONS[register.table]
    own = range(register.first, register.last + 1)
    named = [canonical_master(site, name) for name in register.masters]
    for master in named or [_usual_reader(target, site, wanted, function, own)]:
        asked = wanted.periods.setdefault((master, function), {})
        asked.update(dict.fromkeys(own, period_ns))


def _usual_reader(target: Target, site: Site, wanted: Wishes, function: int, own: range) -> str:
    """The master that reads any of the addresses at the shortest period, else the one that reads the device most."""
    found = [
        (asked[address], master)
        for (master, f), asked in wanted.periods.items()
        if f == function and site.may_read(master, target.declared) is not False
        for address in own
        if address in asked
    ]
    return min(found)[1] if found else _usual_master(target, site)


def canonical_master(site: Site, master: str) -> str:
    """The address by which figures know a master that is given by name, group or address."""
    known = {a: g.addresses[0] for g in site.address_groups() for a in g.addresses}
    address = site.addresses_of_master(master)[0]
    return known.get(address, address)


def _usual_master(target: Target, site: Site) -> str:
    reads: dict[str, int] = {}
    for poll in target.polls:
        if poll.function in READS and site.may_read(poll.master, target.declared) is not False:
            reads[poll.master] = reads.get(poll.master, 0) + poll.count
    if reads:
        return max(reads, key=lambda master: reads[master])
    for name in target.limits.masters or site.master_names:
        master = canonical_master(site, name)
        if site.may_read(master, target.declared) is not False:
            return master
    return ANY_MASTER


def _through(wanted: Wishes, master: str) -> Wishes:
    joined = Wishes(fixed=wanted.fixed, notes=wanted.notes)
    for (_, function), asked in wanted.periods.items():
        for address, period_ns in asked.items():
            joined.want(master, function, address, period_ns)
    for (_, function), addresses_held in wanted.held.items():
        joined.held.setdefault((master, function), set()).update(addresses_held)
    return joined


def _admitted(target: Target, site: Site, wanted: Wishes) -> Wishes:
    """The wishes without those of masters that may not talk to the device."""
    out = [m for m in wanted.masters if m != ANY_MASTER and site.may_read(m, target.declared) is False]
    if not out:
        return wanted
    wanted.notes += [
        f"{master_label(site, master)} may not read here by the site file: its {_reads_of(target, master)} left out "
        "(--through MASTER has another master read it)"
        for master in out
    ]
    periods = {key: asked for key, asked in wanted.periods.items() if key[0] not in out}
    fixed = [f for f in wanted.fixed if f.master not in out]
    return Wishes(periods, wanted.held, fixed, wanted.notes)


def _reads_of(target: Target, master: str) -> str:
    count = sum(1 for p in target.polls if p.master == master and p.function in READS and p.kind == "cyclic")
    return counted(count, "cyclic read is", "cyclic reads are") if count else "wishes are"


def master_label(site: Site, address: str) -> str:
    """A master's name with its address, or the address alone; names as the site file has them."""
    name = site.name_of_master(address)
    return f"{name} ({address})" if name else address


def sporadic_reads(target: Target) -> Iterator[PollFigures]:
    """Reads that came now and then, which no plan can place."""
    return (p for p in target.polls if p.function in READS and p.kind != "cyclic")
