"""Reads a page the way assistive technology does, with the standard library's parser."""

from __future__ import annotations

from dataclasses import dataclass, field
from html.parser import HTMLParser

INLINE = {"a", "b", "button", "code", "i", "label", "span", "strong"}
VOID = {"area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "source", "track", "wbr"}


@dataclass
class Element:
    tag: str
    attrs: dict[str, str]
    parent: Element | None = None
    children: list[Element] = field(default_factory=list)
    pieces: list[str] = field(default_factory=list)

    def all(self, tag: str = "", **attrs: str) -> list[Element]:
        """Descendants with a tag and attributes; `class_` matches one class."""
        found: list[Element] = []
        for child in self.children:
            if (not tag or child.tag == tag) and all(child.has(name, value) for name, value in attrs.items()):
                found.append(child)
            found += child.all(tag, **attrs)
        return found

    def has(self, name: str, value: str) -> bool:
        if name == "class_":
            return value in self.attrs.get("class", "").split()
        return self.attrs.get(name.replace("_", "-")) == value

    def by_id(self, number: str) -> Element:
        (found,) = self.all(id=number)
        return found

    @property
    def text(self) -> str:
        """All text inside, in order, single-spaced."""
        return " ".join("".join(self._texts()).split())

    def _texts(self) -> list[str]:
        found, pieces = [], iter(self.children)
        for piece in self.pieces:
            found += [piece] if piece else next(pieces)._texts()
        return found if self.tag in INLINE else [" ", *found, " "]


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.root = self.here = Element("", {})

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        element = Element(tag, {name: value or "" for name, value in attrs}, self.here)
        self.here.children.append(element)
        self.here.pieces.append("")
        if tag not in VOID:
            self.here = element

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.handle_endtag(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.here.tag == tag, f"</{tag}> closes <{self.here.tag}>"
        assert self.here.parent is not None
        self.here = self.here.parent

    def handle_data(self, data: str) -> None:
        if data:
            self.here.pieces.append(data)


def read(page: str) -> Element:
    """The page as a tree; fails where an element is not closed as it was opened."""
    reader = _Reader()
    reader.feed(page)
    assert reader.here is reader.root
    return reader.root
