"""Our part of a sidecar is changed, everything else stays: held by a second reader and by C14N.

The second reader is ElementTree of the standard library, which knows nothing of our editing; the
canonical form is C14N 2.0 (W3C note, 2013) as ElementTree writes it.
"""

import io
import re
from xml.etree import ElementTree as ET

import pytest
from planted_sidecars import (
    ATTRIBUTES,
    BARE,
    ELEMENTS,
    ODD_NAMES,
    OURS_SAVED_AGAIN,
    SIDECARS,
    mutant,
)

from audit.carry.xmp_merge import DC, OURS, XMP, Merged, Wish, merge
from audit.errors import SidecarError

RDF = "http://www.w3.org/1999/02/22-rdf-syntax-ns#"
MEASURES = {"Verdict": "keeper", "EdgeWidthPx": "1.62", "Findings": ("noise", "dust")}
WISH = Wish(measures=MEASURES, rates=True, rating=4, replaces_ratings=True)


def properties(data: bytes) -> dict[str, list[str]]:
    """All simple values of the top-level descriptions, by expanded name, by the second reader."""
    root = ET.fromstring(data)
    rdf = root if root.tag == f"{{{RDF}}}RDF" else root.find(f"{{{RDF}}}RDF")
    assert rdf is not None
    found: dict[str, list[str]] = {}
    for description in rdf.findall(f"{{{RDF}}}Description"):
        for name, value in description.attrib.items():
            found.setdefault(name, []).append(value)
        for child in description:
            items = [li.text or "" for li in child.iter(f"{{{RDF}}}li")]
            found.setdefault(str(child.tag), []).extend(items or [(child.text or "").strip()])
    return found


def our_names(data: bytes) -> set[str]:
    """Every name in our namespace, spoilt ones too: the whole namespace is ours."""
    elements = list(ET.fromstring(data).iter())
    names = {name for element in elements for name in (str(element.tag), *element.attrib)}
    return {name for name in names if name.startswith(f"{{{OURS}}}")}


def rest(data: bytes) -> str:
    """Canonical form without what is ours; an own description that is then empty goes, too.

    Prefixes are numbered: ElementTree lets those of one element leak into the next. White space is
    counted once: between tags it means nothing to XMP, and our lines bring theirs. That both stay
    as they were elsewhere is held by `all_bytes_stay`.
    """
    names = [f"{{{XMP}}}Rating", *our_names(data)]
    out = io.StringIO()
    ET.canonicalize(
        from_file=io.BytesIO(data),
        out=out,
        with_comments=True,
        rewrite_prefixes=True,
        exclude_tags=names,
        exclude_attrs=names,
    )
    text = re.sub(r"\s+", " ", re.sub(r">\s+<", "><", out.getvalue()))
    return re.sub(r'<(\w+:)?Description( [\w:]+="[^"<]*")*></(\w+:)?Description>', "", text)


def all_bytes_stay(old: bytes, new: bytes) -> bool:
    """Whether the old file can be got by taking bytes out of the new one.

    Of a file that holds properties of ours this cannot be asked: they are taken out.
    """
    value = re.compile(r"(Rating(?:>|\s*=\s*[\"']))[^<\"']*")
    codec = "utf-16" if old[:2] in (b"\xff\xfe", b"\xfe\xff") else "latin-1"
    if OURS in old.decode(codec):
        return True
    rest_of_new = iter(new.decode(codec))
    return all(character in rest_of_new for character in value.sub(r"\1", old.decode(codec)))


def held(old: bytes, wish: Wish = WISH) -> Merged | None:
    """Merge and hold all promises; ``None`` if the file is left as it is."""
    try:
        merged = merge(old, wish)
    except SidecarError:
        return None
    assert rest(merged.data) == rest(old)
    assert all_bytes_stay(old, merged.data)
    said = properties(merged.data)
    for name, value in MEASURES.items():
        assert said[f"{{{OURS}}}{name}"] == ([value] if isinstance(value, str) else list(value))
    if merged.kept_rating is None:
        assert [float(value) for value in said[f"{{{XMP}}}Rating"]] == [4.0]
    again = merge(merged.data, wish)
    assert (again.data, again.changes) == (merged.data, ())
    return merged


@pytest.mark.parametrize("text", SIDECARS)
@pytest.mark.parametrize("newline", ["\n", "\r\n"])
def test_all_else_stays_canonically_the_same(text: str, newline: str) -> None:
    assert held(text.replace("\n", newline).encode()) is not None


def test_500_mutated_sidecars_are_changed_rightly_or_left() -> None:
    done = [held(mutant(number)) for number in range(500)]
    changed = sum(merged is not None for merged in done)
    assert 200 < changed < 480, "mutations must neither all break the file nor all be harmless"


def test_a_new_sidecar_is_plain_xmp_with_a_declaration() -> None:
    """ISO 16684-3, external storage: complete well-formed XML with the XML declaration."""
    data = merge(None, WISH).data
    assert data.startswith(b'<?xml version="1.0" encoding="UTF-8"?>')
    assert properties(data)[f"{{{XMP}}}Rating"] == ["4"]


@pytest.mark.parametrize(("text", "old"), [(ATTRIBUTES, "3"), (ELEMENTS, "2"), (ODD_NAMES, "-1")])
def test_a_rating_of_somebody_else_stays_unless_it_may_be_replaced(text: str, old: str) -> None:
    kept = merge(text.encode(), Wish(measures=MEASURES, rates=True, rating=4))
    assert kept.kept_rating == old
    assert properties(kept.data)[f"{{{XMP}}}Rating"] == [old]
    replaced = merge(text.encode(), WISH)
    assert replaced.kept_rating is None
    assert properties(replaced.data)[f"{{{XMP}}}Rating"] == ["4"]
    assert replaced.changes[:2] == (f"- xmp:Rating: {old}", "+ xmp:Rating: 4")


def test_a_rating_that_we_gave_follows_the_verdict_until_a_person_changes_it() -> None:
    ours = merge(BARE.encode(), Wish(measures=MEASURES, rates=True, rating=4)).data
    lower = merge(ours, Wish(measures=MEASURES, rates=True, rating=2)).data
    assert properties(lower)[f"{{{XMP}}}Rating"] == ["2"]
    taken_back = merge(lower, Wish(measures=MEASURES, rates=True, rating=None)).data
    assert f"{{{XMP}}}Rating" not in properties(taken_back)
    by_hand = lower.replace(b"Rating>2<", b"Rating>5<").replace(b'Rating="2"', b'Rating="5"')
    kept = merge(by_hand, Wish(measures=MEASURES, rates=True, rating=4))
    assert kept.kept_rating == "5"


@pytest.mark.parametrize("unrated", ["0", "0.0", ""])
def test_unrated_is_free(unrated: str) -> None:
    """0 is unrated (ISO 16684-1:2011, 8.4, table 5)."""
    old = ATTRIBUTES.replace('Rating="3"', f'Rating="{unrated}"').encode()
    merged = merge(old, Wish(measures={}, rates=True, rating=4))
    assert (merged.kept_rating, properties(merged.data)[f"{{{XMP}}}Rating"]) == (None, ["4"])


def test_without_a_wish_for_ratings_and_keywords_neither_is_touched() -> None:
    merged = merge(ELEMENTS.encode(), Wish(measures=MEASURES))
    said = properties(merged.data)
    assert (said[f"{{{XMP}}}Rating"], said[f"{{{DC}}}subject"]) == (["2"], ["Skarn falls", "moss"])


def test_keywords_are_added_and_only_ours_are_taken_back() -> None:
    wish = Wish(measures={}, words=True, keywords=("moss", "print & frame"))
    added = merge(ELEMENTS.encode(), wish).data
    assert properties(added)[f"{{{DC}}}subject"] == ["Skarn falls", "moss", "print & frame"]
    fewer = merge(added, Wish(measures={}, words=True, keywords=())).data
    assert properties(fewer)[f"{{{DC}}}subject"] == ["Skarn falls", "moss"]
    saved = merge(OURS_SAVED_AGAIN.encode(), Wish(measures={}, words=True, keywords=("dust",)))
    assert properties(saved.data)[f"{{{DC}}}subject"] == ["moss", "dust"]


@pytest.mark.parametrize("text", [ATTRIBUTES, BARE, ODD_NAMES])
def test_keywords_get_a_bag_where_there_is_none(text: str) -> None:
    wish = Wish(measures={}, words=True, keywords=("fog",))
    merged = merge(text.encode(), wish)
    assert properties(merged.data)[f"{{{DC}}}subject"] == ["fog"]
    assert merge(merged.data, wish).changes == ()


def test_properties_that_a_program_turned_into_attributes_are_renewed() -> None:
    merged = held(OURS_SAVED_AGAIN.encode(), Wish(measures=MEASURES, rates=True, rating=4))
    assert merged is not None
    assert b'xmp:Label="x"' in merged.data


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (b"", "well-formed"),
        (ATTRIBUTES.encode()[:-60], "well-formed"),
        (b"<a/>", "rdf:RDF"),
        (b"<!DOCTYPE a [<!ENTITY b 'x'>]><a>&b;</a>", "document type"),
        (BARE.encode("utf-16"), None),
        (BARE.encode("utf-16-le"), "well-formed"),
        (ELEMENTS.encode().replace(b'"UTF-8"', b'"x-none"'), "well-formed"),
        (
            ELEMENTS.replace(
                "</xmp:CreateDate>", "</xmp:CreateDate><xmp:Rating>1</xmp:Rating>"
            ).encode(),
            "found two",
        ),
        (ELEMENTS.replace("<xmp:Rating>", "stray <xmp:Rating>").encode(), "loose text"),
        (ELEMENTS.replace("<xmp:Rating>2", "<xmp:Rating>2<!-- stars -->").encode(), "plain number"),
        (b"<a>" * 5_000 + b"</a>" * 5_000, "rdf:RDF"),
    ],
)
def test_what_is_not_understood_is_left_with_a_reason(data: bytes, reason: str | None) -> None:
    if reason is None:
        assert merge(data, WISH).changes
    else:
        with pytest.raises(SidecarError, match=reason):
            merge(data, WISH)


def test_an_entity_bomb_is_refused_before_anything_is_expanded() -> None:
    names = "abcdefghij"
    entities = "".join(
        f'<!ENTITY {name} "{f"&{below};" * 100 if below else "lol" * 1000}">'
        for name, below in zip(names, ("", *names), strict=False)
    )
    bomb = f"<!DOCTYPE a [{entities}]><a>&j;</a>".encode()
    with pytest.raises(SidecarError, match="document type"):
        merge(bomb, WISH)


def test_text_that_xml_cannot_hold_is_shown_by_a_sign() -> None:
    wish = Wish(measures={"Verdict": "a\x1b[2J\0\ud800b"}, words=True, keywords=('<&"\n>',))
    said = properties(merge(BARE.encode(), wish).data)
    assert said[f"{{{OURS}}}Verdict"] == ["a\ufffd[2J\ufffd\ufffdb"]
    assert said[f"{{{DC}}}subject"] == ['<&"\n>']
    assert merge(merge(BARE.encode(), wish).data, wish).changes == ()
