"""``shimwright stock``: the shims of the shop, and what to take from them."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli import forecasting, sharing
from cli.arguments import AsJson, LogFile, Who, example, thickness_mm
from cli.errors import MisuseError

if TYPE_CHECKING:
    from calc.units import Unit
    from joblog.stock import Row, StockMove

MOST_AT_ONCE = 10_000
"""More shims of one size than a shop has."""

BinName = Annotated[
    str | None, typer.Option("--bin", metavar="NAME", help="Name of this kind of shim. Or give --hub.")
]
BinHub = Annotated[
    Path | None, typer.Option("--hub", metavar="FILE", help="Hub file whose kind of shim is meant.")
]
SizesMoved = Annotated[
    list[str], typer.Argument(metavar="SIZE=N...", help="Sizes and how many, such as 2.95mm=3.")
]

stock = typer.Typer(
    help="Shims on hand: count them, share them out, see what to order.", no_args_is_help=True
)


def add_to(app: typer.Typer) -> None:
    """Put the command group into ``app``."""
    sharing.add_to(stock)
    forecasting.add_to(stock)
    app.add_typer(stock, name="stock")


@stock.command(epilog=example("shimwright stock count --hub heron-rear.toml 2.95mm=3 3.00mm=0"))
def count(  # noqa: PLR0917 - options are given by name
    sizes: SizesMoved,
    bin_name: BinName = None,
    hub: BinHub = None,
    who: Who = None,
    log: LogFile = None,
    as_json: AsJson = False,
) -> None:
    """Put down how many there are of each size named; the book then says so, and the difference is kept."""
    from joblog.stock import count_row, counts  # noqa: PLC0415
    from joblog.store import Store  # noqa: PLC0415

    name, unit = _bin_of(bin_name, hub, sizes)
    moved = _sizes_moved(sizes, 0)
    path = _ready(log)
    with Store.open(path) as store:
        book = counts(path, name)
        rows = [count_row(name, size, number, book.get(size, 0), who=who) for size, number in moved.items()]
        store.add_rows("count of shims", *rows)
    _tell(path, name, unit, rows, as_json=as_json)


@stock.command(epilog=example("shimwright stock receive --hub heron-rear.toml 2.95mm=10"))
def receive(  # noqa: PLR0917 - options are given by name
    sizes: SizesMoved,
    bin_name: BinName = None,
    hub: BinHub = None,
    who: Who = None,
    log: LogFile = None,
    as_json: AsJson = False,
) -> None:
    """Put down new shims that came in."""
    from joblog.stock import receive_row  # noqa: PLC0415
    from joblog.store import Store  # noqa: PLC0415

    name, unit = _bin_of(bin_name, hub, sizes)
    rows = [receive_row(name, size, number, who=who) for size, number in _sizes_moved(sizes, 1).items()]
    path = _ready(log)
    with Store.open(path) as store:
        store.add_rows("shims received", *rows)
    _tell(path, name, unit, rows, as_json=as_json)


@stock.command(epilog=example("shimwright stock scrap --hub heron-rear.toml 3.00mm=1 --why bent"))
def scrap(  # noqa: PLR0917 - options are given by name
    sizes: SizesMoved,
    why: Annotated[str, typer.Option(metavar="TEXT", help="What is wrong with them; kept in the log.")],
    bin_name: BinName = None,
    hub: BinHub = None,
    who: Who = None,
    log: LogFile = None,
    as_json: AsJson = False,
) -> None:
    """Put down shims that are thrown away. More than the book has is refused: count first."""
    from joblog.stock import counts, scrap_row  # noqa: PLC0415
    from joblog.store import Store  # noqa: PLC0415

    name, unit = _bin_of(bin_name, hub, sizes)
    if not why.strip():
        raise MisuseError("--why", "is empty: say what is wrong with them")
    moved = _sizes_moved(sizes, 1)
    path = _ready(log)
    with Store.open(path) as store:
        book = counts(path, name)
        rows = [scrap_row(name, s, n, book.get(s, 0), note=why.strip(), who=who) for s, n in moved.items()]
        store.add_rows("shims scrapped", *rows)
    _tell(path, name, unit, rows, as_json=as_json)


@stock.command("list", epilog=example("shimwright stock list --hub heron-rear.toml"))
def list_(bin_name: BinName = None, hub: BinHub = None, log: LogFile = None, as_json: AsJson = False) -> None:
    """Show what is on hand, by bin and size."""
    from calc.units import format_size  # noqa: PLC0415
    from cli.screen import put_json, put_report  # noqa: PLC0415
    from joblog.paths import log_place  # noqa: PLC0415
    from joblog.stock import bins, counts, history  # noqa: PLC0415

    path = log_place(log).path
    names = bins(path) if bin_name is None and hub is None else [_bin_of(bin_name, hub, [])[0]]
    lines: list[str] = []
    for name in names:
        book = counts(path, name)
        unit = _hub_unit(hub) or _unit_of_book(book)
        last = {move.thickness_mm: move.at for move in history(path, name) if move.counted is not None}
        if as_json:
            for size, number in book.items():
                put_json({"bin": name, "thickness_mm": size, "number": number, "counted_at": last.get(size)})
            continue
        lines += [*([""] if lines else []), f"{name}:"]
        for size, number in book.items():
            when = f"counted {last[size][:10]}" if size in last else "never counted"
            short = "   below 0: the book is wrong, count them" if number < 0 else ""
            lines.append(f"  {format_size(size, unit):>10}  {number:>4}   {when}{short}")
        if not book:
            lines.append("  no stock is kept of these: every size counts as on hand")
    if not as_json:
        put_report(lines or ["No stock is kept yet: begin with shimwright stock count."])


@stock.command("history", epilog=example("shimwright stock history --hub heron-rear.toml --size 2.95mm"))
def history_(
    bin_name: BinName = None,
    hub: BinHub = None,
    size: Annotated[str | None, typer.Option(metavar="L", help="Of this size only, such as 2.95mm.")] = None,
    log: LogFile = None,
    as_json: AsJson = False,
) -> None:
    """Show what came and went, oldest first."""
    from cli.screen import put_json, put_report  # noqa: PLC0415
    from joblog.paths import log_place  # noqa: PLC0415
    from joblog.stock import history  # noqa: PLC0415

    name = None if bin_name is None and hub is None else _bin_of(bin_name, hub, [])[0]
    size_mm = None if size is None else thickness_mm("--size", size)
    moves = history(log_place(log).path, name, size_mm)
    if as_json:
        for move in moves:
            put_json(_move_object(move))
        return
    unit = _hub_unit(hub) or _unit_of_book([move.thickness_mm for move in moves])
    totals: dict[tuple[str, int], int] = {}
    lines = []
    for move in moves:
        key = (move.bin, move.thickness_nm)
        totals[key] = totals.get(key, 0) + move.change
        lines.append(_move_line(move, unit, totals[key]))
    put_report(lines or ["Nothing came and nothing went."])


def _move_line(move: StockMove, unit: Unit, total: int) -> str:
    from calc.units import format_size  # noqa: PLC0415

    what = f"{move.why} {move.counted}" if move.counted is not None else str(move.why)
    more = "; ".join(
        text
        for text in (
            move.note,
            f"by {move.who}" if move.who else None,
            f"entry {move.job_entry_id[:8]} of a job" if move.job_entry_id else None,
        )
        if text
    )
    size = format_size(move.thickness_mm, unit)
    line = (
        f"{move.at[:16].replace('T', ' ')}  {size:>10}  {move.change:+4d}  now {total:>3}  {what}  {move.bin}"
    )
    return f"{line} ({more})" if more else line


def _move_object(move: StockMove) -> dict[str, str | float | int | None]:
    return {
        "id": move.id,
        "at": move.at,
        "who": move.who,
        "bin": move.bin,
        "thickness_mm": move.thickness_mm,
        "change": move.change,
        "why": str(move.why),
        "counted": move.counted,
        "note": move.note,
        "job_entry_id": move.job_entry_id,
    }


def _tell(path: Path, name: str, unit: Unit, rows: list[Row], *, as_json: bool) -> None:
    """Say what each size had and has now."""
    from calc.units import format_size  # noqa: PLC0415
    from cli.screen import put_json, put_report  # noqa: PLC0415
    from joblog.stock import history  # noqa: PLC0415

    ids = {row["id"] for _, row in rows}
    totals: dict[int, int] = {}
    lines = [f"{name}:"]
    for move in history(path, name):
        before = totals.get(move.thickness_nm, 0)
        totals[move.thickness_nm] = now = before + move.change
        if move.id not in ids:
            continue
        if as_json:
            put_json({**_move_object(move), "number": now})
            continue
        size = format_size(move.thickness_mm, unit)
        if move.counted is None:
            lines.append(f"  {size:>10}: {move.change:+d}, now {now}.")
        elif move.change:
            lines.append(
                f"  {size:>10}: {now}. The book said {before}; the difference, {move.change:+d}, is kept."
            )
        else:
            lines.append(f"  {size:>10}: {now}, as the book said.")
    if not as_json:
        put_report(lines)


def _bin_of(bin_name: str | None, hub: Path | None, sizes: list[str]) -> tuple[str, Unit]:
    """The bin's name and the unit in which a person sees its sizes."""
    from calc.units import Unit  # noqa: PLC0415

    if (bin_name is None) == (hub is None):
        raise MisuseError("--bin", "give the name of the bin, or --hub FILE, and not both")
    if hub is not None:
        from calc.hub import load_hub  # noqa: PLC0415

        rules = load_hub(hub)
        if not rules.sizes_mm:
            raise MisuseError("--hub", f"{hub} has no shims: the nut of this hub sets its end play")
        return rules.shim_bin, rules.unit
    name = str(bin_name).strip()
    if not name:
        raise MisuseError("--bin", "is empty: name this kind of shim")
    typed = [text.partition("=")[0].strip().lower() for text in sizes]
    inches = bool(typed) and all(text.endswith(("in", "inch", '"', "thou")) for text in typed)
    return name, Unit.INCH if inches else Unit.MM


def _hub_unit(hub: Path | None) -> Unit | None:
    if hub is None:
        return None
    from calc.hub import load_hub  # noqa: PLC0415

    return load_hub(hub).unit


def _unit_of_book(sizes: object) -> Unit:
    """Inches where every size is a whole number of ten-thousandths of one and not of hundredths of a mm."""
    from calc.limits import nm  # noqa: PLC0415
    from calc.units import Unit  # noqa: PLC0415

    whole = [nm(size) for size in sizes] if isinstance(sizes, dict | list) else []
    inches = bool(whole) and all(size % 2540 == 0 for size in whole) and any(size % 10_000 for size in whole)
    return Unit.INCH if inches else Unit.MM


def _sizes_moved(texts: list[str], least: int) -> dict[float, int]:
    """Read ``2.95mm=3``, several times."""
    moved: dict[float, int] = {}
    for text in texts:
        size_text, sign, number_text = text.partition("=")
        if not sign or not number_text.strip().isascii() or not number_text.strip().isdigit():
            raise MisuseError("SIZE=N", f'"{text}" is no size with a number: write such as 2.95mm=3')
        size, number = thickness_mm("SIZE=N", size_text), int(number_text)
        if not least <= number <= MOST_AT_ONCE:
            raise MisuseError("SIZE=N", f'"{text}": a number from {least} to {MOST_AT_ONCE} is needed')
        size = round(size, 6)
        if size in moved:
            raise MisuseError("SIZE=N", f'"{text}": this size comes twice')
        moved[size] = number
    return moved


def _ready(log: Path | None) -> Path:
    from joblog.paths import log_place  # noqa: PLC0415

    return log_place(log).ready()
