"""Draws the wiring: python firmware_notes/wiring/draw.py writes the five sheets beside it."""

from __future__ import annotations

from pathlib import Path

from sheets_board import board, encoder, whole_rig
from sheets_contacts import contacts_alone, contacts_with_winding

HERE = Path(__file__).resolve().parent
SHEETS = {
    "1-whole-rig": whole_rig,
    "2-encoder": encoder,
    "3-contacts-alone": contacts_alone,
    "4-contacts-with-winding": contacts_with_winding,
    "5-board": board,
}


def main() -> None:
    for name, draw in SHEETS.items():
        draw().save(HERE / f"{name}.svg")


if __name__ == "__main__":
    main()
