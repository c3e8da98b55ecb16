"""Reads a page as a browser would: tags, attributes, text; and says what is not well formed."""

from __future__ import annotations

from html.parser import HTMLParser

VOID = {"meta", "br"}
SELF_CLOSED = {"path", "circle", "rect"}


class PageReader(HTMLParser):
    """``tags`` and ``attributes`` as met, ``text`` outside of styles, ``faults`` of nesting."""

    def __init__(self, page: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str]] = []
        self.pieces: list[str] = []
        self.faults: list[str] = []
        self._open: list[str] = []
        self.feed(page)
        self.close()
        self.faults += [f"{each} is not closed" for each in self._open]

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.pieces).split())

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._met(tag, attrs)
        if tag not in VOID:
            self._open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._met(tag, attrs)
        if tag not in SELF_CLOSED:
            self.faults.append(f"{tag} cannot close itself")

    def handle_endtag(self, tag: str) -> None:
        if not self._open or self._open.pop() != tag:
            self.faults.append(f"{tag} is closed but was not the last to be opened")

    def handle_data(self, data: str) -> None:
        if self._open and self._open[-1] != "style":
            self.pieces.append(data)

    def _met(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(name, value or "") for name, value in attrs]
