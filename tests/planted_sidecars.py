"""Sidecars as other programs might leave them, all invented, and seeded mutations of them."""

import random
import re
from collections.abc import Callable

ATTRIBUTES = """\
<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>
<x:xmpmeta xmlns:x="adobe:ns:meta/" x:xmptk="Fjell kit 3.1">
 <rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
  <rdf:Description rdf:about=""
    xmlns:xmp="http://ns.adobe.com/xap/1.0/"
    xmlns:dev="https://develop.invalid/ns/7/"
   xmp:Rating="3"
   xmp:Label='Vårljus'
   dev:Curve="0,0;128,140&#10;255,255"
   dev:Note="a &lt; b &amp;&#13; c">
   <dev:Steps>
    <rdf:Seq>
     <rdf:li>crop</rdf:li>
     <rdf:li dev:amount="0.5"/>
    </rdf:Seq>
   </dev:Steps>
   <!-- a note of the other program -->
  </rdf:Description>
 </rdf:RDF>
</x:xmpmeta>
<?xpacket end="w"?>
"""
ELEMENTS = """\
<?xml version="1.0" encoding="UTF-8"?>
<!-- kept by hand -->
<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
 <rdf:Description rdf:about="uuid:0042" xmlns:dc="http://purl.org/dc/elements/1.1/">
  <dc:subject>
   <rdf:Bag>
    <rdf:li>Skarn falls</rdf:li>
    <rdf:li>moss</rdf:li>
   </rdf:Bag>
  </dc:subject>
  <dc:title><rdf:Alt>
   <rdf:li xml:lang="x-default">Früh am <![CDATA[Fluß & Moor]]></rdf:li></rdf:Alt></dc:title>
 </rdf:Description>
 <rdf:Description rdf:about="uuid:0042" xmlns:xmp="http://ns.adobe.com/xap/1.0/"
   xmlns:h="https://history.invalid/">
  <xmp:Rating>2</xmp:Rating>
  <xmp:CreateDate>2026-05-01T05:12:33.25+02:00</xmp:CreateDate>
  <h:Past rdf:parseType="Resource"><xmp:Rating>1</xmp:Rating><h:When>then</h:When></h:Past>
 </rdf:Description>
</rdf:RDF>
"""
ODD_NAMES = """\
<?xml version="1.0"?>
<m:xmpmeta xmlns:m="adobe:ns:meta/"><RDF xmlns="http://www.w3.org/1999/02/22-rdf-syntax-ns#"
xmlns:r="http://www.w3.org/1999/02/22-rdf-syntax-ns#" xmlns:rdf="https://else.invalid/rdf"
xmlns:xmp="https://else.invalid/xmp"><Description r:about="" xmlns:q="http://ns.adobe.com/xap/1.0/"
q:Rating="-1" rdf:odd="1" xmp:odd="2"/></RDF></m:xmpmeta>"""
BARE = """\
<x:xmpmeta xmlns:x="adobe:ns:meta/">
  <rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#"/>
</x:xmpmeta>
"""
OURS_SAVED_AGAIN = """\
<x:xmpmeta xmlns:x="adobe:ns:meta/">
 <rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
  <rdf:Description rdf:about="" xmlns:xmp="http://ns.adobe.com/xap/1.0/"
    xmlns:fa="https://frame-audit.invalid/xmp/1/" xmlns:dc="http://purl.org/dc/elements/1.1/"
    fa:Verdict="keeper" xmp:Rating="4" fa:EdgeWidthPx="1.7" fa:RatingGiven="4" xmp:Label="x">
   <fa:Findings><rdf:Bag><rdf:li>noise</rdf:li></rdf:Bag></fa:Findings>
   <dc:subject><rdf:Bag><rdf:li>moss</rdf:li><rdf:li>print</rdf:li></rdf:Bag></dc:subject>
   <fa:KeywordsGiven><rdf:Bag><rdf:li>print</rdf:li></rdf:Bag></fa:KeywordsGiven>
  </rdf:Description>
 </rdf:RDF>
</x:xmpmeta>
"""
"""What we wrote, as a program may write it that turns simple properties into attributes."""

SIDECARS = (ATTRIBUTES, ELEMENTS, ODD_NAMES, BARE, OURS_SAVED_AGAIN)


def mutant(number: int) -> bytes:
    """Make a sidecar with up to four mutations; the same for the same number."""
    rng = random.Random(number)
    text = SIDECARS[number % len(SIDECARS)]
    for _ in range(rng.randrange(5)):
        text = rng.choice(MUTATIONS)(text, rng)
    data = _encoded(text, rng)
    return _spoilt(data, rng) if rng.random() < 0.25 else data


def _between_tags(text: str, rng: random.Random, piece: str) -> str:
    places = [found.start() + 1 for found in re.finditer("><|>\\s", text)]
    place = rng.choice(places)
    return text[:place] + piece + text[place:]


def _comment(text: str, rng: random.Random) -> str:
    return _between_tags(text, rng, f"<!-- <xmp:Rating>{rng.randrange(6)}</xmp:Rating> -->")


def _instruction(text: str, rng: random.Random) -> str:
    return _between_tags(text, rng, '<?other say="5 > 3"?>')


def _white_space(text: str, rng: random.Random) -> str:
    return _between_tags(text, rng, rng.choice((" ", "\n\n", "\t", "\n   ")))


def _rating(text: str, rng: random.Random) -> str:
    value = rng.choice(("0", "1", "4", "5.0", "+2", "", " 3 ", "many", "&#52;", "-1"))
    text = re.sub("(Rating>)[^<]*", rf"\g<1>{value}", text, count=1)
    return re.sub("(Rating=['\"])[^'\"]*", rf"\g<1>{value}", text, count=1)


def _empty_element(text: str, _: random.Random) -> str:
    return re.sub("<xmp:Rating>[^<]*</xmp:Rating>", "<xmp:Rating/>", text, count=1)


def _no_rating(text: str, _: random.Random) -> str:
    text = re.sub("<xmp:Rating>[^<]*</xmp:Rating>", "", text, count=1)
    return re.sub("\\s(xmp|q):Rating=(\"[^\"]*\"|'[^']*')", "", text, count=1)


def _second_rating(text: str, _: random.Random) -> str:
    return text.replace("</rdf:Description>", "<xmp:Rating>5</xmp:Rating></rdf:Description>", 1)


def _prefix(text: str, rng: random.Random) -> str:
    old, new = rng.choice((("xmp:", "ns7:"), ("rdf:", "R:"), ("dc:", "d-c.2:"), ("fa:", "é:")))
    text = text.replace(f"xmlns:{old[:-1]}=", f"xmlns:{new[:-1]}=")
    return re.sub(rf"(?<=[<\s/]){re.escape(old)}", new, text)


def _quotes(text: str, _: random.Random) -> str:
    return re.sub('="([^"\'<>]*)"', r"='\1'", text)


def _spaces_in_tags(text: str, rng: random.Random) -> str:
    return re.sub('="', rng.choice((' = "', '\n=\t"')), text, count=rng.randrange(1, 4))


def _value_of_marks(text: str, rng: random.Random) -> str:
    marks = "".join(
        rng.choice(("&#9;", "&gt;", "&quot;", "é", "\U0001f98a", " ")) for _ in range(8)
    )
    return text.replace('rdf:about=""', f'xmlns:z="urn:z" z:v="{marks}" rdf:about=""', 1)


def _doctype(text: str, _: random.Random) -> str:
    bomb = '<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;">]>'
    head, mark, rest = text.partition("?>\n")
    return head + mark + bomb + rest if mark else bomb + text


MUTATIONS: tuple[Callable[[str, random.Random], str], ...] = (
    *(_comment, _instruction, _white_space, _rating, _empty_element, _no_rating),
    *(_second_rating, _prefix, _quotes, _spaces_in_tags, _value_of_marks, _doctype),
    *(_comment, _rating, _quotes, _spaces_in_tags, _value_of_marks, _white_space, _prefix),
)


def _encoded(text: str, rng: random.Random) -> bytes:
    if rng.random() < 0.3:
        text = text.replace("\n", "\r\n")
    way = rng.randrange(8)
    if way == 0:
        return b"\xef\xbb\xbf" + text.encode()
    if way in (1, 2):
        text = re.sub(' encoding="UTF-8"', ' encoding="UTF-16"', text)
        codec, bom = (("utf-16-le", b"\xff\xfe"), ("utf-16-be", b"\xfe\xff"))[way - 1]
        return bom + text.encode(codec)
    if way == 3 and 'encoding="UTF-8"' in text:
        text = text.replace('encoding="UTF-8"', 'encoding="ISO-8859-1"')
        return text.encode("latin-1", "xmlcharrefreplace")
    return text.encode()


def _spoilt(data: bytes, rng: random.Random) -> bytes:
    place = rng.randrange(len(data))
    return rng.choice(
        (
            data[:place],
            data[:place] + data[place + 1 :],
            data[:place] + bytes([rng.randrange(256)]) + data[place + 1 :],
            data + b"\0" * 20,
            data + data,
            b"",
        )
    )
