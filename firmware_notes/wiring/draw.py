"""Everything that is made from the netlist: python firmware_notes/wiring/draw.py

writes the nine sheets, the list of parts (``bom.csv``, and in ``../wiring.md``) and the board's
files. ``corners.py --write`` simulates."""

from __future__ import annotations

from pathlib import Path

import board as copper_board
import stripboard
from bom import as_csv, as_markdown, nets_as_csv
from sheet_copper import copper
from sheets_board import board, encoder, whole_rig
from sheets_contacts import contacts_alone, contacts_with_winding

HERE = Path(__file__).resolve().parent
SHEETS = {
    "1-whole-rig": whole_rig,
    "2-encoder": encoder,
    "3-contacts-alone": contacts_alone,
    "4-contacts-with-winding": contacts_with_winding,
    "5-board": board,
    "6-stripboard-contacts-alone": stripboard.plain,
    "7-stripboard-encoder": stripboard.inputs,
    "8-stripboard-winding": stripboard.winding,
}
BEGIN, END = "<!-- parts, by wiring/draw.py -->\n", "<!-- end of parts -->"


def main() -> None:
    for name, draw in SHEETS.items():
        draw().save(HERE / f"{name}.svg")
    routed = copper_board.Router(copper_board.pads_of()).route()
    copper(routed).save(HERE / "9-board-winding.svg")
    folder = HERE / "board"
    folder.mkdir(exist_ok=True)
    for name, text in copper_board.files(routed).items():
        (folder / name).write_text(text, encoding="ascii")
    (HERE / "bom.csv").write_text(as_csv(), encoding="ascii")
    (HERE / "nets.csv").write_text(nets_as_csv(), encoding="ascii")
    page = HERE.parent / "wiring.md"
    if page.exists():
        head, _, rest = page.read_text("utf-8").partition(BEGIN)
        page.write_text(f"{head}{BEGIN}\n{as_markdown()}{END}{rest.partition(END)[2]}", "utf-8")


if __name__ == "__main__":
    main()
