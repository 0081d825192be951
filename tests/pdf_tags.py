"""The structure of a tagged PDF, read back with pypdf as a reading machine does: by the tags, not by the places."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from pypdf import PageObject, PdfReader
from pypdf.generic import ContentStream

PAINTING = frozenset((b"Tj", b"TJ", b"'", b'"', b"S", b"s", b"f", b"F", b"f*", b"B", b"B*", b"b", b"b*", b"sh", b"Do"))
CODE = re.compile(rb"<([0-9A-F]{2})> <([0-9A-F]{4})>")


@dataclass
class Tag:
    """One element: what it is, its own content as (page, MCID), and what is in it, content and elements, in order."""

    kind: str
    page: int | None
    dictionary: Any
    kids: list[Any] = field(default_factory=list)

    def all(self, *kinds: str) -> Iterator[Tag]:
        """This and all below it, in reading order; of some kinds only, if any are named."""
        if not kinds or self.kind in kinds:
            yield self
        for kid in self.kids:
            if isinstance(kid, Tag):
                yield from kid.all(*kinds)

    @property
    def alt(self) -> str:
        """What is read in its place."""
        return str(self.dictionary.get("/Alt", ""))

    @property
    def places(self) -> list[tuple[int, int]]:
        """Where its own content stands."""
        return [kid for kid in self.kids if isinstance(kid, tuple)]


class Tagged:
    """A PDF by its tags."""

    def __init__(self, reader: PdfReader) -> None:
        self.reader = reader
        self.root = reader.trailer["/Root"]["/StructTreeRoot"]
        self._pages = {page.indirect_reference.idnum: n for n, page in enumerate(reader.pages)}  # type: ignore[union-attr]
        self.contents = [Content(page) for page in reader.pages]
        self.document = self._tag(self.root["/K"])

    def _tag(self, dictionary: Any) -> Tag:
        page = dictionary.raw_get("/Pg").idnum if "/Pg" in dictionary else None
        tag = Tag(dictionary["/S"][1:], None if page is None else self._pages[page], dictionary)
        for kid in dictionary.get("/K", []):
            kid = kid.get_object()
            if isinstance(kid, int):
                assert tag.page is not None
                tag.kids.append((tag.page, int(kid)))
            elif kid.get("/Type") == "/MCR":
                tag.kids.append((self._pages[kid.raw_get("/Pg").idnum], int(kid["/MCID"])))
            elif kid.get("/Type") == "/OBJR":
                tag.kids.append(kid)
            else:
                assert kid["/P"] == dictionary
                tag.kids.append(self._tag(kid))
        return tag

    @property
    def parents(self) -> dict[int, Any]:
        """The tree of parents: key -> element or list of elements."""
        numbers = list(self.root["/ParentTree"]["/Nums"])
        return {int(key): value.get_object() for key, value in zip(numbers[::2], numbers[1::2], strict=True)}

    def text(self, tag: Tag) -> str:
        """What is read of an element; of a figure what stands in its place. Not stripped."""
        if tag.kind == "Figure":
            return tag.alt + " "
        pieces = []
        for kid in tag.kids:
            if isinstance(kid, tuple):
                pieces.append(self.contents[kid[0]].texts[kid[1]])
            elif isinstance(kid, Tag):
                pieces.append(self.text(kid))
        return "".join(pieces) + ("" if tag.kind == "LBody" else " ")

    def said(self, tag: Tag) -> str:
        """The same with single blanks."""
        return " ".join(self.text(tag).split())


class Content:
    """What a page paints, by its marks."""

    def __init__(self, page: PageObject) -> None:
        self.texts: dict[int, str] = {}  # MCID -> text
        self.pictured: set[int] = set()  # MCIDs with lines, areas or pictures in them
        self.aside = ""  # text of artifacts
        self.loose: list[bytes] = []  # painting operators outside of all marks
        self.unbalanced = 0
        fonts = page["/Resources"]["/Font"]  # type: ignore[index]
        maps = {
            name: {int(a, 16): chr(int(b, 16)) for a, b in CODE.findall(font["/ToUnicode"].get_data())}
            for name, font in fonts.items()
            if "/ToUnicode" in font
        }
        font: dict[int, str] = {}
        owner: int | str | None = None
        for operands, operator in ContentStream(page.get_contents(), page.pdf).operations:
            if operator in (b"BDC", b"BMC"):
                self.unbalanced += owner is not None
                owner = int(operands[1]["/MCID"]) if operator == b"BDC" else "artifact"
                if isinstance(owner, int):
                    assert owner not in self.texts
                    self.texts[owner] = ""
            elif operator == b"EMC":
                self.unbalanced += owner is None
                owner = None
            elif operator == b"Tf":
                font = maps.get(operands[0], {})
            elif operator in PAINTING:
                if owner is None:
                    self.loose.append(operator)
                if operator != b"Tj" and isinstance(owner, int):
                    self.pictured.add(owner)
                if operator == b"Tj":
                    shown = "".join(font[code] for code in operands[0].original_bytes)
                    if isinstance(owner, int):
                        self.texts[owner] += shown
                    else:
                        self.aside += shown
        self.unbalanced += owner is not None
