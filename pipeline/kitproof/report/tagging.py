"""Tags: what on the paper is a heading, a paragraph, a table or a figure, in the order in which it is read.

Reading machines, and whoever copies text out of the file, follow the tags, not the places on the paper. reportlab
has none, so all that reaches into its inner parts is in here. A page author hardly meets this module: text is a
paragraph of its own and strokes are artifacts (decoration, left out when read) unless an element is open around
them; an element that is open takes all that is drawn, on as many pages as it takes.

Source: ISO 32000-1:2008, sections 14.6 (marked content), 14.7 (logical structure) and 14.8 (tagged PDF).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass, field

from reportlab.pdfbase import pdfdoc
from reportlab.pdfgen.canvas import Canvas

# these hold elements and nothing drawn; and what text becomes that stands in one
GROUPS = {"Document": "P", "Sect": "P", "L": "LI", "LI": "LBody", "Table": "TR", "TR": "TD"}
KEPT_EMPTY = ("TH", "TD")  # a cell without text still takes its column


@dataclass(eq=False, slots=True)
class Element:
    """One element. `kids` : the elements in it and the places of its content (page from 0, MCID), as drawn."""

    kind: str
    above: Element | None = None
    alt: str = ""
    scope: str = ""  # of a head in a table: "Column" or "Row"
    link: _Link | None = None
    kids: list[Element | tuple[int, int]] = field(default_factory=list)
    number: int = 0  # of the object in the file

    def filled(self) -> list[Element]:
        """This element and those below it, each before what is in it; [] if there is nothing in it."""
        below = [(kid, kid.filled() if isinstance(kid, Element) else []) for kid in self.kids]
        self.kids = [kid for kid, found in below if found or not isinstance(kid, Element)]
        if not (self.kids or self.link or self.kind in KEPT_EMPTY):
            return []
        return [self, *(one for _, found in below for one in found)]


class Tags:
    """The structure of one document while it is drawn. A draft has none."""

    def __init__(self, canvas: Canvas, *, draft: bool) -> None:
        self._canvas = canvas
        self._draft = draft
        self._root = Element("Document")
        self._open = self._root  # innermost open element
        self._last = self._root  # the last one closed that holds content: what a link belongs to
        self._aside = False  # whether all that is drawn is an artifact
        self._begun = False  # whether marked content is begun in the page's code
        self._owner: Element | None = None  # of that; None for an artifact
        self._pages: list[list[Element]] = [[]]  # page -> MCID -> element

    # ------------------------------------------------------------ while drawing
    @contextmanager
    def element(self, kind: str, *, alt: str = "", scope: str = "") -> Iterator[None]:
        """An element around all that is drawn; kind : one of the standard structure types."""
        if self._draft or self._aside:
            yield
            return
        above = self._open
        self._open = Element(kind, above, alt, scope)
        above.kids.append(self._open)
        try:
            yield
        finally:
            if kind not in GROUPS:
                self._last = self._open
            self._open = above

    @contextmanager
    def artifact(self) -> Iterator[None]:
        """Around what is no part of the text: page furniture, heads that are repeated."""
        before, self._aside = self._aside, True
        try:
            yield
        finally:
            self._aside = before

    def line(self) -> AbstractContextManager[None]:
        """Around text: an element of its own where none is open that takes it."""
        kind = GROUPS.get(self._open.kind)
        return self.element(kind) if kind else nullcontext()

    @property
    def goes_on(self) -> bool:
        """Whether text may follow within the element that text belongs to now."""
        return not self._draft and not self._aside and self._open.kind not in GROUPS and self._open.kind != "Figure"

    def mark(self) -> None:
        """Before anything is painted: marks what follows in the page's code as its element's, or as an artifact."""
        if self._draft:
            return
        owner = None if self._aside or self._open.kind in GROUPS else self._open
        if self._begun and owner is self._owner:
            return
        self._end()
        if owner is None:
            self._canvas._code.append("/Artifact BMC")
        else:
            here = self._pages[-1]
            self._canvas._code.append(f"/{owner.kind} <</MCID {len(here)}>> BDC")
            owner.kids.append((len(self._pages) - 1, len(here)))
            here.append(owner)
        self._begun, self._owner = True, owner

    def _end(self) -> None:
        if self._begun:
            self._canvas._code.append("EMC")
        self._begun = False

    def end_page(self) -> None:
        """Before a page is finished: marks do not reach over its end, elements may."""
        self._end()
        self._pages.append([])

    def link(self, rect: tuple[float, float, float, float], anchor: str, says: str) -> None:
        """A rectangle (left, bottom, right, top from the page's lower left) that leads to an anchor.

        It belongs to the element that is open, else to the one drawn before it. says : where it leads, in words
        """
        link = _Link(rect, says, self._canvas._bookmarkReference(anchor), "[0 0 0]")
        self._canvas._addAnnotation(link)
        link.page = len(self._pages) - 1
        if not self._draft and not self._aside:
            above = self._last if self._open.kind in GROUPS else self._open
            above.kids.append(Element("Link", above, link=link))

    # ------------------------------------------------------------ into the file
    def write(self) -> None:
        """Put the structure into the document, once all its pages are finished."""
        document, pages = self._canvas._doc, self._canvas._doc.Pages.pages
        root, parents = _Object(), _Object()
        elements = [(element, _Object()) for element in self._root.filled()]
        for element, written in elements:
            element.number = _number(document, written)
        top = f"{_number(document, root)} 0 R"
        on = [f"{_number(document, page)} 0 R" for page in pages]
        for element, written in elements:
            written.text = _written(document, element, top, on)
        links = [element for element, _ in elements if element.link is not None]
        # keys of the tree of parents: the pages, then the links
        keyed = [f"[{' '.join(f'{owner.number} 0 R' for owner in here)}]" for here in self._pages[: len(pages)]]
        keyed += [f"{element.number} 0 R" for element in links]
        parents.text = f"<</Nums[{' '.join(f'{key} {value}' for key, value in enumerate(keyed))}]>>"
        root.text = (
            f"<</Type/StructTreeRoot/K {self._root.number} 0 R"
            f"/ParentTree {_number(document, parents)} 0 R/ParentTreeNextKey {len(keyed)}>>"
        )
        for key, element in enumerate(links, start=len(pages)):
            assert element.link is not None
            element.link.otherkw["StructParent"] = key
        for key, page in enumerate(pages):
            page.__NoDefault__ = [*page.__NoDefault__, "StructParents", "Tabs"]
            page.StructParents, page.Tabs = key, "/S"
        document.Catalog.StructTreeRoot = root
        document.Catalog.MarkInfo = pdfdoc.PDFDictionary({"Marked": "true"})


class _Object(pdfdoc.PDFObject):  # type: ignore[misc]  # reportlab has no types
    """An object that is written out by hand: thousands of reportlab's dictionaries take longer than the drawing."""

    text = ""

    def format(self, document: pdfdoc.PDFDocument) -> bytes:
        """As it goes into the file."""
        return self.text.encode("latin-1")


class _Link(pdfdoc.LinkAnnotation):  # type: ignore[misc]
    """A link that may know its place in the structure."""

    permitted = (*pdfdoc.LinkAnnotation.permitted, "StructParent")
    page = 0


def _number(document: pdfdoc.PDFDocument, thing: pdfdoc.PDFObject) -> int:
    """Number of an object in the file, which it has from now on."""
    number: int = document.idToObjectNumberAndVersion[document.Reference(thing).name][0]
    return number


def _written(document: pdfdoc.PDFDocument, element: Element, top: str, on: Sequence[str]) -> str:
    """An element as it goes into the file. top, on : references to the root of the structure and to the pages."""
    page = next((kid[0] for kid in element.kids if isinstance(kid, tuple)), None)
    kids = [_kid(kid, page, on) for kid in element.kids]
    if element.link is not None:
        kids.append(f"<</Type/OBJR/Pg {on[element.link.page]}/Obj {_number(document, element.link)} 0 R>>")
    text = f"<</S/{element.kind}/P {f'{element.above.number} 0 R' if element.above else top}"
    if page is not None:
        text += f"/Pg {on[page]}"
    if element.alt:
        text += f"/Alt{pdfdoc.PDFString(element.alt).format(document).decode('latin-1')}"
    if element.scope:
        text += f"/A<</O/Table/Scope/{element.scope}>>"
    return f"{text}/K[{' '.join(kids)}]>>" if kids else f"{text}>>"


def _kid(kid: Element | tuple[int, int], page: int | None, on: Sequence[str]) -> str:
    """What an element's list of kids says of one of them: of content on another page than its first, which."""
    if isinstance(kid, Element):
        return f"{kid.number} 0 R"
    return str(kid[1]) if kid[0] == page else f"<</Type/MCR/Pg {on[kid[0]]}/MCID {kid[1]}>>"
