"""What we have to say put into an XMP sidecar, and nothing else of it touched.

Ours are: every property in our own namespace, ``xmp:Rating`` if a rating is asked for, and single
keywords of ``dc:subject`` if keywords are asked for. A rating that somebody else gave stays, and so
does every keyword that we did not add: what we gave is remembered in our namespace.

``xmp:Rating`` may be an attribute or an element (ISO 16684-1:2011, clauses 7.4 and 7.9.2.2); -1 is
rejected, 0 and absent are unrated (clause 8.4, table 5). ``dc:subject`` is a bag (clause 8.3).
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape

from audit.carry.xmp_tree import RDF, Attribute, Document, Element, read_document
from audit.errors import SidecarError

OURS = "https://frame-audit.invalid/xmp/1/"
"""Our namespace. ``.invalid`` never resolves (RFC 2606), so the name is nobody's address."""
XMP = "http://ns.adobe.com/xap/1.0/"
DC = "http://purl.org/dc/elements/1.1/"

RATING_GIVEN = "RatingGiven"
KEYWORDS_GIVEN = "KeywordsGiven"
"""Properties of ours that remember what we gave, so that it can be told from what others gave."""

EMPTY = b"""\
<?xml version="1.0" encoding="UTF-8"?>
<x:xmpmeta xmlns:x="adobe:ns:meta/">
 <rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
 </rdf:RDF>
</x:xmpmeta>
"""
"""A sidecar that says nothing (ISO 16684-3: with the XML declaration)."""

Value = str | tuple[str, ...]
"""Text, or a bag of texts."""

_FORBIDDEN = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""What XML 1.0 (clause 2.2) cannot hold, not even by number."""
_NUMBER = re.compile(r"\s*([+-]?\d+(?:\.\d+)?)\s*")


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """What a sidecar shall say.

    Attributes
    ----------
    measures : mapping of str to Value
        Our properties by local name.
    rates : bool
        Whether a rating is asked for; else the one that is there stays.
    rating : int or None
        -1 to 5; ``None``: none, a rating that we gave earlier is taken back.
    replaces_ratings : bool
        Whether a rating that somebody else gave may be replaced.
    words : bool
        Whether keywords are asked for.
    keywords : sequence of str
        Those that shall be there; others that we added earlier are taken back.
    """

    measures: Mapping[str, Value]
    rates: bool = False
    rating: int | None = None
    replaces_ratings: bool = False
    words: bool = False
    keywords: Sequence[str] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Merged:
    """A sidecar with our wish in it."""

    data: bytes
    """The whole file."""
    changes: tuple[str, ...]
    """One line a property: ``+ name: value``, ``- name: value``; none if nothing changes."""
    kept_rating: str | None = None
    """Rating that somebody else gave and that stays against the wish."""


def merge(old: bytes | None, wish: Wish) -> Merged:
    """Put a wish into a sidecar.

    Parameters
    ----------
    old : bytes or None
        The whole file; ``None`` for a new one.
    wish : Wish

    Returns
    -------
    Merged
        Its ``data`` is `old` itself where nothing changes.

    Raises
    ------
    SidecarError
        If the file cannot be read or changed safely.
    """
    data = EMPTY if old is None else old
    document = read_document(data)
    said = _Said(document)
    aim = _Aim(said, wish)
    if not aim.changes:
        return Merged(data=data, changes=(), kept_rating=aim.kept_rating)
    data = document.changed(_Editor(document, said).edits(aim))
    check = _Aim(_Said(read_document(data)), wish)
    if check.changes:
        raise SidecarError(f"a change did not hold: {check.changes[0]}")
    return Merged(data=data, changes=aim.changes, kept_rating=aim.kept_rating)


def xml_text(text: str) -> str:
    """Drop what XML cannot hold."""
    return _FORBIDDEN.sub("\N{REPLACEMENT CHARACTER}", text)


class _Said:
    """What a sidecar says so far, as far as it concerns us."""

    def __init__(self, document: Document) -> None:
        self.document = document
        self.rating: Attribute | Element | None = None
        self._subjects: list[Attribute | Element] = []
        self.pieces: list[tuple[Element, Attribute | Element]] = []
        """Our properties, each with the description that holds it."""
        for element in (document.rdf, *document.descriptions):
            if element.text.strip():
                raise SidecarError(f"expected properties in {element.name}, found loose text")
        for description in document.descriptions:
            pieces: list[Attribute | Element] = [*description.attributes, *description.children]
            for piece in pieces:
                self._take(description, piece)

    def _take(self, description: Element, piece: Attribute | Element) -> None:
        name = (piece.space, piece.local)
        if piece.space == OURS:
            self.pieces.append((description, piece))
        elif name == (XMP, "Rating"):
            if self.rating is not None:
                raise SidecarError("expected one xmp:Rating, found two")
            self.rating = piece
        elif name == (DC, "subject"):
            self._subjects.append(piece)

    @property
    def ours(self) -> dict[str, Value]:
        """Our properties by local name."""
        return {piece.local: _value(piece) for _, piece in self.pieces}

    @property
    def has_repeats(self) -> bool:
        """Whether one of our properties stands there twice."""
        return len(self.ours) != len(self.pieces)

    @property
    def rating_text(self) -> str | None:
        """Rating as written; ``None`` if there is none."""
        if self.rating is None:
            return None
        return _simple(self.rating).strip() or None

    @property
    def bag(self) -> Element | None:
        """The array of the keywords."""
        if not self._subjects:
            return None
        subject, *more = self._subjects
        inner = [] if isinstance(subject, Attribute) else subject.children
        if more or len(inner) != 1 or inner[0].space != RDF:
            raise SidecarError("expected one bag in dc:subject, found another form")
        return inner[0]

    @property
    def keywords(self) -> list[tuple[str, Element]]:
        """Keywords, each with its place."""
        return [] if self.bag is None else [(li.text, li) for li in self.bag.children]


class _Aim:
    """What shall be changed, and in which words that is told."""

    def __init__(self, said: _Said, wish: Wish) -> None:
        ours = said.ours
        self.kept_rating: str | None = None
        self.sets_rating, self.rating = self._rating(said, wish, ours.get(RATING_GIVEN))
        self.properties = {name: _cleaned(value) for name, value in wish.measures.items()}
        given = self.rating if wish.rates else ours.get(RATING_GIVEN)
        if given is not None:
            self.properties[RATING_GIVEN] = given
        self.added, self.removed, words = _words(said, wish, ours.get(KEYWORDS_GIVEN, ()))
        if words:
            self.properties[KEYWORDS_GIVEN] = words
        self.renews = self.properties != ours or said.has_repeats
        self.changes = tuple(self._told(said, ours))

    def _rating(self, said: _Said, wish: Wish, given: Value | None) -> tuple[bool, str | None]:
        """Whether the rating is ours to set, and to what; a refusal is noted."""
        if not wish.rates:
            return False, None
        found = said.rating_text
        is_ours = isinstance(given, str) and _same_number(found, given)
        is_free = found is None or (_NUMBER.fullmatch(found) and float(found) == 0.0)
        wanted = None if wish.rating is None else str(wish.rating)
        if wanted is not None and _same_number(found, wanted):
            return (True, wanted) if is_ours else (False, None)
        if is_ours or is_free or (wish.replaces_ratings and wanted is not None):
            return (True, wanted) if is_ours or wanted is not None else (False, None)
        self.kept_rating = found if wanted is not None else None
        return False, None

    def _told(self, said: _Said, ours: Mapping[str, Value]) -> Sequence[str]:
        lines = []
        if self.sets_rating and said.rating_text != self.rating:
            lines += _change("xmp:Rating", said.rating_text, self.rating)
        lines += [f"+ dc:subject: {word}" for word in self.added]
        lines += [f"- dc:subject: {text}" for text, _ in self.removed]
        for name in dict.fromkeys((*self.properties, *ours)):
            if self.properties.get(name) != ours.get(name):
                lines += _change(f"frameaudit:{name}", ours.get(name), self.properties.get(name))
        if not lines and said.has_repeats:
            lines.append("- properties of ours that stand there twice")
        return lines


def _words(
    said: _Said, wish: Wish, given: Value
) -> tuple[list[str], list[tuple[str, Element]], tuple[str, ...]]:
    """Keywords to add and to take back, and those of ours that are there afterwards."""
    ours = (given,) if isinstance(given, str) else given
    if not wish.words:
        return [], [], ours
    there = {text for text, _ in said.keywords}
    wanted = dict.fromkeys(xml_text(word) for word in wish.keywords)
    added = [word for word in wanted if word not in there]
    removed = [(text, li) for text, li in said.keywords if text in ours and text not in wanted]
    kept = [word for word in wanted if word in added or word in ours]
    return added, removed, tuple(kept)


class _Editor:
    """Turns an aim into edits of the document's bytes."""

    def __init__(self, document: Document, said: _Said) -> None:
        self._document = document
        self._said = said
        self._first = next(iter(document.descriptions), None)
        self._home = said.pieces[0][0] if said.pieces else None
        """The description that holds our properties; others may stand in it, too."""

    def edits(self, aim: _Aim) -> list[tuple[int, int, str]]:
        """All edits of an aim."""
        edits: list[tuple[int, int, str]] = []
        inside: list[tuple[str, str, Value]] = []
        """Properties to be put into our description: namespace, name, value."""
        if aim.sets_rating and self._said.rating_text != aim.rating:
            edits += self._rating(aim.rating, inside)
        edits += [self._without(li) for _, li in aim.removed]
        if aim.added and self._said.bag is None:
            inside.append((DC, "subject", tuple(aim.added)))
        elif aim.added:
            edits += self._more_words(aim.added)
        if aim.renews:
            edits += [self._without(piece) for _, piece in self._said.pieces]
            inside += [(OURS, name, value) for name, value in aim.properties.items()]
        if inside:
            edits += self._into_home(inside) if self._home else [self._new_home(inside)]
        return edits

    def _without(self, piece: Attribute | Element) -> tuple[int, int, str]:
        """Take out an attribute or an element with the white space before it."""
        start = piece.start if isinstance(piece, Attribute) else self._space_before(piece)
        return start, piece.end, ""

    def _space_before(self, element: Element) -> int:
        return self._document.space_before(element.start)

    def _rating(
        self, rating: str | None, inside: list[tuple[str, str, Value]]
    ) -> list[tuple[int, int, str]]:
        piece = self._said.rating
        if piece is not None and rating is None:
            return [self._without(piece)]
        assert rating is not None
        if isinstance(piece, Attribute):
            return [(piece.value_start, piece.value_end, rating)]
        if isinstance(piece, Element):
            is_empty = piece.is_empty_tag
            return [
                self._inside(piece, rating) if is_empty else (*self._number_inside(piece), rating)
            ]
        if self._first is None:
            inside.append((XMP, "Rating", rating))
            return []
        prefix, declared = _prefix(self._first.scope, XMP, "xmp")
        text = f'{declared} {prefix}:Rating="{rating}"'
        place = _attributes_end(self._document, self._first)
        return [(place, place, text)]

    def _number_inside(self, element: Element) -> tuple[int, int]:
        """Place of the number in an element, which may hold nothing else."""
        raw = self._document.body[element.open_end : element.close_start].decode()
        if not raw.strip():
            return element.open_end, element.close_start
        match = _NUMBER.fullmatch(raw)
        if match is None:
            raise SidecarError("expected a plain number in xmp:Rating, found another form")
        return element.open_end + match.start(1), element.open_end + match.end(1)

    def _more_words(self, words: Sequence[str]) -> list[tuple[int, int, str]]:
        bag = self._said.bag
        assert bag is not None
        colon = bag.name.rpartition(":")
        li = f"{colon[0]}{colon[1]}li"
        space = self._white_space(bag.children[-1]) if bag.children else ""
        text = "".join(f"{space}<{li}>{_escaped(word)}</{li}>" for word in words)
        return [self._inside(bag, text)]

    def _inside(self, element: Element, text: str) -> tuple[int, int, str]:
        """Put text at the end of an element's content; an empty tag is opened for it."""
        if element.is_empty_tag:
            return element.end - 2, element.end, f">{text}</{element.name}>"
        place = element.children[-1].end if element.children else element.open_end
        return place, place, text

    def _into_home(self, inside: Sequence[tuple[str, str, Value]]) -> list[tuple[int, int, str]]:
        home = self._home
        assert home is not None
        indent = self._white_space(home.children[0]) if home.children else self._document.newline
        names = _Names(home.scope)
        text = "".join(names.property(indent, *each) for each in inside)
        edits = [self._inside(home, text)]
        if names.declared:
            place = _attributes_end(self._document, home)
            edits.append((place, place, names.declared))
        return edits

    def _new_home(self, inside: Sequence[tuple[str, str, Value]]) -> tuple[int, int, str]:
        rdf = self._document.rdf
        indent = self._white_space(rdf.children[-1]) if rdf.children else ""
        indent = indent if indent.strip(" \t") else f"{self._document.newline}  "
        names = _Names(rdf.scope)
        rdf_name = names.of(RDF)
        about = None if self._first is None else self._first.attribute(RDF, "about")
        value = "" if about is None else about.value
        text = "".join(names.property(f"{indent} ", *each) for each in inside)
        opening = f'<{rdf_name}:Description {rdf_name}:about="{_escaped(value)}"{names.declared}>'
        block = f"{indent}{opening}{text}{indent}</{rdf_name}:Description>"
        return self._inside(rdf, block)

    def _white_space(self, element: Element) -> str:
        """The white space before an element."""
        return self._document.body[self._space_before(element) : element.start].decode()


class _Names:
    """Prefixes for what is written, with the declarations that are missing."""

    def __init__(self, scope: Mapping[str, str]) -> None:
        self._scope = dict(scope)
        self.declared = ""

    def of(self, space: str) -> str:
        """Prefix of a namespace; declared if it has none yet."""
        prefix, declared = _prefix(self._scope, space, _USUAL_PREFIX[space])
        self._scope[prefix] = space
        self.declared += declared
        return prefix

    def property(self, indent: str, space: str, local: str, value: Value) -> str:
        """One property as an element; a bag for several texts."""
        name = f"{self.of(space)}:{local}"
        if isinstance(value, str):
            return f"{indent}<{name}>{_escaped(value)}</{name}>"
        rdf = self.of(RDF)
        items = "".join(f"{indent}  <{rdf}:li>{_escaped(text)}</{rdf}:li>" for text in value)
        bag = f"{indent} <{rdf}:Bag>{items}{indent} </{rdf}:Bag>"
        return f"{indent}<{name}>{bag}{indent}</{name}>"


_USUAL_PREFIX = {RDF: "rdf", XMP: "xmp", DC: "dc", OURS: "frameaudit"}


def _prefix(scope: Mapping[str, str], space: str, usual: str) -> tuple[str, str]:
    """Prefix of a namespace, and its declaration where the scope has none."""
    for prefix, uri in scope.items():
        if uri == space and prefix:
            return prefix, ""
    free, number = usual, 1
    while free in scope:
        number += 1
        free = f"{usual}{number}"
    return free, f' xmlns:{free}="{space}"'


def _attributes_end(document: Document, element: Element) -> int:
    """Where a further attribute of a start tag goes."""
    end = element.open_end - (2 if element.is_empty_tag else 1)
    return document.space_before(end)


def _escaped(text: str) -> str:
    """Text as it may stand in an element or between double quotes; line ends by number."""
    return escape(xml_text(text), {'"': "&quot;", "\r": "&#13;", "\n": "&#10;", "\t": "&#9;"})


def _value(piece: Attribute | Element) -> Value:
    """Text or bag of a property of ours."""
    if isinstance(piece, Element) and piece.children:
        return tuple(li.text for array in piece.children for li in array.children)
    return _simple(piece)


def _simple(piece: Attribute | Element) -> str:
    """Text of a property that has no structure."""
    if isinstance(piece, Attribute):
        return piece.value
    if piece.children:
        raise SidecarError(f"expected plain text in {piece.name}, found elements")
    return piece.text


def _same_number(found: str | None, wanted: str) -> bool:
    """Whether two ratings are the same, however they are written."""
    numbers = [None if text is None else _NUMBER.fullmatch(text) for text in (found, wanted)]
    if None in numbers:
        return found == wanted
    return len({float(number[1]) for number in numbers if number}) == 1


def _cleaned(value: Value) -> Value:
    return xml_text(value) if isinstance(value, str) else tuple(map(xml_text, value))


def _change(name: str, old: Value | None, new: Value | None) -> list[str]:
    """Lines that tell the change of one property."""
    return [
        f"{sign} {name}: {value if isinstance(value, str) else ', '.join(value)}"
        for sign, value in (("-", old), ("+", new))
        if value is not None
    ]
