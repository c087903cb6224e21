"""An XMP document with the place of every tag in its bytes, so that it can be changed in places.

A tree that is written anew loses what a parser does not tell: quotes, line ends in attributes,
character references, the order of declarations. Here nothing is written anew. Expat (of the
standard library) says where each element lies; a change replaces some bytes and leaves the rest.

Serialisation and packet wrapper: ISO 16684-1:2011, clause 7 (from memory); XML 1.0; Namespaces in
XML 1.0. A document type declaration is refused before any entity is read, so none can be expanded.
"""

import codecs
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from xml.parsers import expat

from audit.errors import SidecarError

RDF = "http://www.w3.org/1999/02/22-rdf-syntax-ns#"
XMPMETA = "adobe:ns:meta/"
XML = "http://www.w3.org/XML/1998/namespace"

MAX_BYTES = 16_000_000
"""Larger than any sidecar that holds text and edits (guess)."""
MAX_ELEMENTS = 200_000
"""Keeps memory in bounds for what is still no sidecar (guess)."""

_DECLARED = re.compile(rb"""^<\?xml[^>]*?\sencoding\s*=\s*["']([A-Za-z0-9._:-]+)["']""")
_ATTRIBUTE = re.compile(rb"""(\s+)([^\s=/>"']+)\s*=\s*("[^"]*"|'[^']*')""")
_TAG_NAME = re.compile(rb"<([^\s/>]+)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Attribute:
    """One attribute, and where it stands."""

    space: str
    local: str
    value: str
    start: int
    """Of the white space before it."""
    end: int
    value_start: int
    """Of its value, behind the quote."""

    @property
    def value_end(self) -> int:
        """Of its value, before the quote."""
        return self.end - 1


@dataclass(slots=True, kw_only=True)
class Element:
    """One element, and where it stands."""

    name: str
    """As written, with its prefix."""
    space: str
    local: str
    start: int
    open_end: int
    """Behind the ``>`` of its start tag."""
    is_empty_tag: bool
    attributes: tuple[Attribute, ...]
    scope: Mapping[str, str]
    """Namespaces in force, by prefix."""
    close_start: int = 0
    """Of its end tag; of an empty tag, behind it."""
    end: int = 0
    children: list["Element"] = field(default_factory=list)
    text: str = ""
    """All character data directly inside."""

    def is_named(self, space: str, local: str) -> bool:
        """Whether it has this expanded name."""
        return (self.space, self.local) == (space, local)

    def attribute(self, space: str, local: str) -> Attribute | None:
        """Return the attribute of that expanded name."""
        return next((a for a in self.attributes if (a.space, a.local) == (space, local)), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Document:
    """A sidecar as read.

    Attributes
    ----------
    body : bytes
        The text in UTF-8 without byte order mark; all places count in it.
    bom : bytes
        The byte order mark that the file began with.
    codec : str
        Encoding of the file behind it.
    rdf : Element
        The one ``rdf:RDF``.
    """

    body: bytes
    bom: bytes
    codec: str
    rdf: Element

    @property
    def descriptions(self) -> tuple[Element, ...]:
        """The ``rdf:Description`` elements that hold the properties."""
        return tuple(each for each in self.rdf.children if each.is_named(RDF, "Description"))

    @property
    def newline(self) -> str:
        """Line end of the file."""
        return "\r\n" if b"\r\n" in self.body else "\n"

    def space_before(self, place: int) -> int:
        """Where the white space that ends at a place begins."""
        while place and self.body[place - 1 : place] in (b" ", b"\t", b"\r", b"\n"):
            place -= 1
        return place

    def changed(self, edits: list[tuple[int, int, str]]) -> bytes:
        """The whole file with some spans of its body replaced.

        Parameters
        ----------
        edits : list of (start, end, text)
            They must not overlap.

        Raises
        ------
        SidecarError
            If they do, or the file's encoding lacks a character.
        """
        parts, done = [], 0
        for start, end, text in sorted(edits, key=lambda edit: edit[:2]):
            if start < done:
                raise SidecarError("its properties lie inside each other")
            parts += [self.body[done:start], text.encode()]
            done = end
        whole = b"".join((*parts, self.body[done:])).decode()
        try:
            return self.bom + whole.encode(self.codec)
        except UnicodeEncodeError as error:
            raise SidecarError(f"its encoding ({self.codec}) lacks a character: {error}") from error


def read_document(data: bytes) -> Document:
    """Read a sidecar.

    Parameters
    ----------
    data : bytes
        The whole file.

    Returns
    -------
    Document

    Raises
    ------
    SidecarError
        If it is no well-formed XML, declares a document type, or holds no XMP.
    """
    if len(data) > MAX_BYTES:
        raise SidecarError(f"expected at most {MAX_BYTES} bytes, found {len(data)}")
    _parsed(data, None)
    bom, codec = _encoding(data)
    try:
        text = data[len(bom) :].decode(codec)
        same = text.encode(codec) == data[len(bom) :]
    except (UnicodeError, LookupError) as error:
        raise SidecarError(f"expected text in {codec}, found: {error}") from error
    if not same:
        raise SidecarError(f"expected text in {codec} that can be written back as it is")
    body = text.encode()
    root = _parsed(body, "utf-8")
    return Document(body=body, bom=bom, codec=codec, rdf=_rdf_of(root))


def _rdf_of(root: Element) -> Element:
    """Find the one ``rdf:RDF``: the root, or a child of ``x:xmpmeta`` (from memory, clause 7.3)."""
    if root.is_named(RDF, "RDF"):
        return root
    found = [each for each in root.children if each.is_named(RDF, "RDF")]
    if not root.is_named(XMPMETA, "xmpmeta") or len(found) != 1:
        raise SidecarError("expected XMP with one rdf:RDF, found other XML")
    return found[0]


def _encoding(data: bytes) -> tuple[bytes, str]:
    """Byte order mark and encoding, which must not contradict each other."""
    for bom, codec in (
        (codecs.BOM_UTF8, "utf-8"),
        (codecs.BOM_UTF16_LE, "utf-16-le"),
        (codecs.BOM_UTF16_BE, "utf-16-be"),
    ):
        if data.startswith(bom):
            return bom, codec
    declared = _DECLARED.match(data)
    return b"", "utf-8" if declared is None else declared[1].decode().lower()


def _parsed(data: bytes, encoding: str | None) -> Element:
    """Tree of a document; an own encoding overrides the declared one."""
    try:
        return _Builder(data, encoding).run()
    except (expat.ExpatError, ValueError, LookupError, RecursionError) as error:
        raise SidecarError(f"expected well-formed XML, found: {error}") from error


class _Builder:
    """Builds the tree from what expat tells."""

    def __init__(self, data: bytes, encoding: str | None) -> None:
        self._data = data
        self._places = encoding is not None
        """Only of UTF-8 bytes are the places asked for."""
        self._parser = expat.ParserCreate(encoding, namespace_separator=" ")
        self._parser.namespace_prefixes = True
        self._parser.ordered_attributes = True
        self._parser.buffer_text = True
        self._parser.StartDoctypeDeclHandler = self._refuse
        self._parser.StartNamespaceDeclHandler = self._declare
        self._parser.StartElementHandler = self._start
        self._parser.EndElementHandler = self._end
        self._parser.CharacterDataHandler = self._characters
        self._scope: Mapping[str, str] = {"xml": XML}
        self._open: list[Element] = []
        self._root: Element | None = None
        self._elements = 0

    def run(self) -> Element:
        self._parser.Parse(self._data, True)
        assert self._root is not None
        return self._root

    def _refuse(self, *_: object) -> None:
        raise SidecarError("expected no document type declaration, found one")

    def _declare(self, prefix: str | None, uri: str | None) -> None:
        self._scope = {**self._scope, prefix or "": uri or ""}

    def _start(self, name: str, flat: list[str]) -> None:
        self._elements += 1
        if self._elements > MAX_ELEMENTS:
            raise SidecarError(f"expected at most {MAX_ELEMENTS} elements, found more")
        start = self._parser.CurrentByteIndex
        space, local, _ = _expanded(name)
        written, attributes, open_end = (
            self._tag(start, flat) if self._places else (name, (), start)
        )
        element = Element(
            name=written,
            space=space,
            local=local,
            start=start,
            open_end=open_end,
            is_empty_tag=self._data[open_end - 2 : open_end] == b"/>",
            attributes=attributes,
            scope=self._scope,
        )
        if self._open:
            self._open[-1].children.append(element)
        else:
            self._root = element
        self._open.append(element)

    def _tag(self, start: int, flat: list[str]) -> tuple[str, tuple[Attribute, ...], int]:
        """Name as written, attributes without declarations, and the end of a start tag."""
        head = _TAG_NAME.match(self._data, start)
        assert head is not None
        place, told = head.end(), iter(zip(flat[::2], flat[1::2], strict=True))
        attributes = []
        while (match := _ATTRIBUTE.match(self._data, place)) is not None:
            place = match.end()
            if match[2] == b"xmlns" or match[2].startswith(b"xmlns:"):
                continue
            name, value = next(told)
            space, local, _ = _expanded(name)
            attributes.append(
                Attribute(
                    space=space,
                    local=local,
                    value=value,
                    start=match.start(),
                    end=match.end(),
                    value_start=match.start(3) + 1,
                )
            )
        return head[1].decode(), tuple(attributes), self._data.index(b">", place) + 1

    def _end(self, _: str) -> None:
        element = self._open.pop()
        if element.is_empty_tag:
            element.close_start = element.end = element.open_end
        elif self._places:
            element.close_start = self._parser.CurrentByteIndex
            element.end = self._data.index(b">", element.close_start) + 1
        self._scope = self._open[-1].scope if self._open else {"xml": XML}

    def _characters(self, text: str) -> None:
        if self._open:
            self._open[-1].text += text


def _expanded(name: str) -> tuple[str, str, str]:
    """Namespace, local name and prefix of a name that expat gives as ``uri local prefix``."""
    parts = name.split(" ")
    if len(parts) == 1:
        return "", parts[0], ""
    return parts[0], parts[1], parts[2] if len(parts) > 2 else ""
