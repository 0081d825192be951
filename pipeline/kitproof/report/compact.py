"""A PDF with its small objects packed together: tags come by the thousand, and written one by one they double a file.

Source: ISO 32000-1:2008, sections 7.5.7 (object streams) and 7.5.8 (cross-reference streams), known to readers
since PDF 1.5 (2003).
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator

from reportlab.pdfbase import pdfdoc

VERSION = (1, 5)
PER_STREAM = 500  # own choice: a reader unpacks all of a stream to see one object of it
WIDTHS = (1, 4, 2)  # bytes of the three fields of a cross-reference
# Catalogue and first page stay as they are, so that language and size of paper are found without a reader (see mail)
PLAIN = (b"/Lang (", b"/MediaBox [")


def packed(pdf: bytes, document: pdfdoc.PDFDocument) -> bytes:
    """The same document, all but its streams and PLAIN objects in object streams.

    pdf : what reportlab wrote of `document`
    """
    numbered = dict(_objects(pdf, document))
    plain = {next((n for n, body in numbered.items() if key in body), 0) for key in PLAIN}
    whole = plain | {n for n, body in numbered.items() if body.endswith(b"endstream")}
    small = [n for n in numbered if n not in whole]
    where = {0: (0, 0, 65535)}
    out = bytearray(pdf[: document.idToOffset[document.numberToId[1]]])
    for number, body in numbered.items():
        if number in whole:
            where[number] = (1, len(out), 0)
            out += b"%d 0 obj\n%s\nendobj\n" % (number, body)
    size = len(numbered) + 1
    for first in range(0, len(small), PER_STREAM):
        part = small[first : first + PER_STREAM]
        where[size] = (1, len(out), 0)
        where |= {number: (2, size, place) for place, number in enumerate(part)}
        out += _stream(size, *_together({number: numbered[number] for number in part}))
        size += 1
    where[size] = (1, len(out), 0)
    start = len(out)
    root, info = (document.Reference(one).format(document) for one in (document.Catalog, document.info))
    keys = b"/Type/XRef/Size %d/W[%d %d %d]/Root %s/Info %s/ID%s" % (size + 1, *WIDTHS, root, info, document.ID())
    table = b"".join(
        value.to_bytes(width, "big")
        for number in range(size + 1)
        for value, width in zip(where[number], WIDTHS, strict=True)
    )
    return bytes(out + _stream(size, keys, table)) + b"startxref\n%d\n%%%%EOF\n" % start


def _objects(pdf: bytes, document: pdfdoc.PDFDocument) -> Iterator[tuple[int, bytes]]:
    """Number and content of every object, by number."""
    numbers = range(1, len(document.numberToId) + 1)
    starts = [document.idToOffset[document.numberToId[n]] for n in numbers]
    for number, start, end in zip(numbers, starts, [*starts[1:], len(pdf)], strict=True):
        _, _, rest = pdf[start:end].partition(b" obj\n")
        yield number, rest[: rest.rindex(b"endobj")].strip()


def _together(bodies: dict[int, bytes]) -> tuple[bytes, bytes]:
    """Keys and content of an object stream."""
    places, at = [], 0
    for number, body in bodies.items():
        places.append(b"%d %d" % (number, at))
        at += len(body) + 1
    head = b" ".join(places) + b"\n"
    return b"/Type/ObjStm/N %d/First %d" % (len(bodies), len(head)), head + b"\n".join(bodies.values())


def _stream(number: int, keys: bytes, content: bytes) -> bytes:
    """A compressed stream as an object."""
    data = zlib.compress(content, 9)
    return b"%d 0 obj\n<<%s/Filter/FlateDecode/Length %d>>\nstream\n%s\nendstream\nendobj\n" % (
        number, keys, len(data), data,
    )  # fmt: skip
