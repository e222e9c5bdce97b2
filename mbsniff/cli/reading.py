"""What commands share: options that say what to read and which limits hold; the path up to the figures."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any, TypeVar

import click

from mbsniff.cli.progress import Progress
from mbsniff.errors import SiteError, one_line

if TYPE_CHECKING:  # importing these takes longer than a wrong call should
    from mbsniff.diagnose import Diagnosis
    from mbsniff.exchange import Exchange, Look, RecordingFacts
    from mbsniff.measure import Figures
    from mbsniff.site import Site

MODBUS_PORT = 502
_Command = TypeVar("_Command", bound=Callable[..., Any])

site_option = click.option(
    "--site", "site_path", metavar="FILE", help="Site file (TOML): devices, masters, limits."
)
AUTO = 0  # among ports: find them (`mbsniff.exchange.read`)


class _Port(click.IntRange):
    """A port's number, or "auto"."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """AUTO for "auto", else the number; BadParameter for anything else."""
        if value == "auto":
            return AUTO
        try:
            return super().convert(value, param, ctx)
        except click.BadParameter:
            what = f'{one_line(str(value))!r} is neither a port from 1 to 65535 nor "auto".'
            self.fail(what, param, ctx)


port_option = click.option(
    "--port", "ports", type=_Port(1, 65535), multiple=True, metavar="N|auto",
    help='Server port, instead of 502; may be given several times; "auto" finds the ports at which Modbus is spoken.',
)  # fmt: skip
clock_option = click.option(
    "--clock-offset", "clock_offsets", multiple=True, metavar="CAPTURE=TIME",
    help="Add TIME, as +1.5s or -200ms, to the times of CAPTURE (a file, folder or pattern as given); may be repeated.",
)  # fmt: skip
_LIMITS = (
    click.option(
        "--watchdog", metavar="TIME", help="Watchdog timeout where the site file gives none, as 3s or 250ms."
    ),
    click.option("--max-block", type=int, metavar="N", help="Most registers in one read, likewise."),
    click.option(
        "--max-reads", type=float, metavar="N", help="Most reads a second at an endpoint, likewise."
    ),
)


def limit_options(command: _Command) -> _Command:
    """Add the options that state limits without a site file: ``watchdog``, ``max_block``, ``max_reads``."""
    for option in reversed(_LIMITS):
        command = option(command)
    return command


@dataclass(frozen=True)
class Inputs:
    """What a command is to read and which limits hold, as its options state them."""

    captures: tuple[str, ...]
    site_path: str | None
    ports: tuple[int, ...]
    clock_offsets: tuple[str, ...]
    watchdog: str | None = None
    max_block: int | None = None
    max_reads: float | None = None

    def site(self) -> Site:
        """As `site_of`."""
        return site_of(self.site_path, self.watchdog, self.max_block, self.max_reads)

    def look(self) -> Look | None:
        """As `look_of`."""
        return look_of(self.captures, self.clock_offsets)

    def figures(self, site: Site) -> tuple[Exchange, RecordingFacts, Figures]:
        """As `read_figures`."""
        return read_figures(self.captures, site, self.ports, self.clock_offsets)

    def diagnosis(self, look: Look | None = None) -> Diagnosis:
        """Read all, and diagnose it; with a ``look`` also from values that the captures show when read again."""
        from mbsniff.diagnose import diagnose

        site = self.site()
        return diagnose(*self.figures(site), site, look)


def takes_inputs(*, limits: bool = True, required: bool = True) -> Callable[[_Command], _Command]:
    """Add captures, site file, limits, ports and clock offsets, handed to the command as its ``inputs``."""

    def decorate(command: _Command) -> _Command:
        @functools.wraps(command)
        def packed(**options: Any) -> Any:
            own = {field.name: options.pop(field.name) for field in fields(Inputs) if field.name in options}
            return command(inputs=Inputs(**own), **options)

        name = "CAPTURE..." if required else "[CAPTURE...]"
        taken: Any = clock_option(packed)
        taken = port_option(taken)
        taken = limit_options(taken) if limits else taken
        return site_option(click.argument("captures", nargs=-1, required=required, metavar=name)(taken))  # type: ignore[no-any-return]

    return decorate


def site_of(
    path: str | None,
    watchdog: str | None = None,
    max_block: int | None = None,
    max_reads: float | None = None,
) -> Site:
    """The site file's site, or an empty one, with the limits that the options state.

    Raises SiteError for what the file or an option states wrongly, BadParameter for a time that is none.
    """
    from mbsniff.site import Site, load_site, parse_duration_ns

    site = load_site(path) if path else Site.empty()
    try:
        timeout_ns = parse_duration_ns(watchdog) if watchdog is not None else None
    except SiteError as error:
        raise click.BadParameter(str(error), param_hint="--watchdog") from None
    return site.with_options(timeout_ns, max_block, max_reads)


def shifts_of(clock_offsets: tuple[str, ...]) -> dict[str, int]:
    """Nanoseconds to add by capture, as the option ``clock_offsets`` states them; BadParameter for what is none."""
    from mbsniff.site import parse_duration_ns

    shifts_ns: dict[str, int] = {}
    for stated in clock_offsets:
        capture, is_split, time = stated.rpartition("=")
        if not is_split or not capture:
            what = f'"{one_line(stated)}" names no capture: write CAPTURE=TIME, as night.pcap=+1.5s.'
            raise click.BadParameter(what, param_hint="--clock-offset")
        if capture in shifts_ns:
            what = f"{one_line(capture)} is given two offsets."
            raise click.BadParameter(what, param_hint="--clock-offset")
        time = time.strip()
        try:
            length_ns = parse_duration_ns(time[1:] if time[:1] in ("+", "-") else time)
        except SiteError as error:
            raise click.BadParameter(str(error), param_hint="--clock-offset") from None
        shifts_ns[capture] = -length_ns if time.startswith("-") else length_ns
    return shifts_ns


def read_figures(
    captures: tuple[str, ...], site: Site, ports: tuple[int, ...] = (), clock_offsets: tuple[str, ...] = ()
) -> tuple[Exchange, RecordingFacts, Figures]:
    """Read the captures, match and measure them, with progress on standard error.

    ``ports``: empty for 502, AUTO to find them.
    """
    from mbsniff.measure import measure

    with Progress() as progress:
        exchange, facts, compiled = _read(progress, captures, ports, clock_offsets)
        return exchange, facts, measure(exchange, facts, site, compiled=compiled)


def read_transactions(
    captures: tuple[str, ...], ports: tuple[int, ...] = (), clock_offsets: tuple[str, ...] = ()
) -> tuple[Exchange, RecordingFacts]:
    """Read the captures and match them, without measuring; likewise."""
    with Progress() as progress:
        return _read(progress, captures, ports, clock_offsets)[:2]


def _read(
    progress: Progress, captures: tuple[str, ...], ports: tuple[int, ...], clock_offsets: tuple[str, ...]
) -> tuple[Exchange, RecordingFacts, bool]:
    """What was exchanged, about which recording, and whether compiled loops read it."""
    from mbsniff.capture import open_recording
    from mbsniff.compiled import kernels_ready, on_compiling
    from mbsniff.exchange import read_exchange

    on_compiling(progress.compiling)
    shifts_ns = shifts_of(clock_offsets)
    with open_recording(captures, shifts_ns=shifts_ns, progress=progress.read) as recording:
        compiled = not recording.small
        if compiled and not kernels_ready():
            progress.say("preparing the fast loops; this happens once and takes about half a minute")
        exchange, facts = read_exchange(recording, compiled=compiled, ports=ports or (MODBUS_PORT,))
    return exchange, facts, compiled


def look_of(captures: tuple[str, ...], clock_offsets: tuple[str, ...] = ()) -> Look | None:
    """How to see frames of the captures again; None where standard input or a pipe cannot be read twice."""
    from mbsniff.capture import can_be_read_again, frames_again

    if not can_be_read_again(captures):
        return None
    return functools.partial(frames_again, captures, shifts_ns=shifts_of(clock_offsets))


def hardware_of(captures: tuple[str, ...]) -> dict[str, tuple[str, ...]] | None:
    """Hardware addresses by a second look at the first frames; None where a pipe cannot be read again."""
    from mbsniff.capture import can_be_read_again, open_recording
    from mbsniff.draft import hardware_addresses

    if not can_be_read_again(captures):
        return None
    with open_recording(captures) as recording:
        return hardware_addresses(recording, compiled=not recording.small)
