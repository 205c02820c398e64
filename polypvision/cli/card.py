"""``polypvision card``: reference cards to print."""

from pathlib import Path
from typing import Annotated, Literal

import typer

from polypvision.words import counted

_SUFFIXES = (".pdf", ".svg", ".png")


def card(
    out: Annotated[
        Path, typer.Option(metavar="FILE", help="Where to draw: .pdf to print, or .svg, .png.")
    ] = Path("card.pdf"),
    kind: Annotated[
        Literal["small", "a5", "a4", "board"],
        typer.Option(
            help="small lies on the plate; a5 and a4 are frames round the plate; board is the "
            "sheet for a lens profile (polypvision lens)."
        ),
    ] = "small",
    code: Annotated[
        str,
        typer.Option(metavar="N", help="Plate code, 1 to 9999; or several: 41-48, or 3,7,9."),
    ] = "1",
    copies: Annotated[
        int, typer.Option(min=1, max=3, help="Small cards per plate: A, B and C.")
    ] = 1,
    dpi: Annotated[float, typer.Option(min=72, max=2400, help="Resolution of a .png.")] = 300.0,
) -> None:
    """Draw reference cards for print, at true size.

    Print at 100 % on matte waterproof paper: glare and wet curl spoil readings. Measure the
    card's bar with callipers and tell its length once (read --bar-mm, or plates --bar-mm).
    """
    from polypvision.plates.cards import parse_codes

    try:
        codes = parse_codes(code)
    except ValueError as error:
        raise typer.BadParameter(str(error), param_hint="--code") from error
    suffix = out.suffix.lower()
    if suffix not in _SUFFIXES:
        raise typer.BadParameter(
            f"{out} does not end in {', '.join(_SUFFIXES)}.", param_hint="--out"
        )
    if kind != "small" and copies > 1:
        raise typer.BadParameter("A plate has one frame; only small cards have copies.")

    from polypvision.card.code import CardName
    from polypvision.card.draw import draw_pdf, draw_png, draw_svg, sheets, single_page
    from polypvision.files.outputs import check_writable, write_bytes

    check_writable(out)
    if kind == "board":
        _draw_board(out, dpi)
        return
    cards = [(number, CardName(kind, copy)) for number in codes for copy in range(copies)]
    if suffix == ".pdf":
        pages = sheets(cards)
        data = draw_pdf(pages)
    else:
        # One card alone is drawn without paper round it.
        pages = [single_page(*cards[0])] if len(cards) == 1 else sheets(cards)
        if len(pages) > 1:
            raise typer.BadParameter(
                f"{len(cards)} cards need {len(pages)} pages; a {suffix} holds one. Draw a .pdf.",
                param_hint="--out",
            )
        data = draw_svg(pages[0]) if suffix == ".svg" else draw_png(pages[0], dpi=dpi)
    write_bytes(out, data)
    sizes = sorted({f"{page.size_mm[0]:g} x {page.size_mm[1]:g} mm" for page in pages})
    typer.echo(
        f"Drew {counted(len(cards), 'card')} on {counted(len(pages), 'page')} "
        f"({', '.join(sizes)}): {out}"
    )
    typer.echo("Print at 100 % (no fitting to the page), then measure the bar with callipers.")


def _draw_board(out: Path, dpi: float) -> None:
    """Draw the board: no code stands on it, and one serves for every lens."""
    from polypvision.card.draw import board_page, draw_pdf, draw_png, draw_svg
    from polypvision.files.outputs import write_bytes

    page = board_page()
    match out.suffix.lower():
        case ".pdf":
            data = draw_pdf([page])
        case ".svg":
            data = draw_svg(page)
        case _:
            data = draw_png(page, dpi=dpi)
    write_bytes(out, data)
    typer.echo(
        f"Drew the board for a lens profile ({page.size_mm[0]:g} x {page.size_mm[1]:g} mm): {out}"
    )
    typer.echo(
        "Print it on matte paper, glue it flat on something stiff, photograph it 10 to 20 times."
    )
