"""Lines, paragraphs and labelled values on a terminal; all text passes `audit.report.text`."""

from typing import TextIO

from rich.cells import cell_len, set_cell_size
from rich.console import Console
from rich.text import Text

from audit.report.text import encodable, inert

LONGEST_LINE = 100
"""Width of a paragraph: longer lines are hard to read (common practice, no source)."""

DOTS = "..."

QUIET = "dim"
STRONG = "bold"
PLAIN = ""
COMMAND = "cyan"


class Screen:
    """A terminal, or a file that stands for one.

    Parameters
    ----------
    out : TextIO
        Where the text goes. Styles are sent only if it is a terminal.
    width : int, optional
        Columns; by default what the terminal has, 80 without one.
    colour : bool
        Whether a terminal gets colours; ``NO_COLOR`` is honoured in any case.
    """

    def __init__(self, out: TextIO, *, width: int | None = None, colour: bool = True) -> None:
        self._encoding = getattr(out, "encoding", None)
        self._console = Console(
            file=out,
            width=width,
            no_color=None if colour else True,
            highlight=False,
            markup=False,
            emoji=False,
        )
        self.width = self._console.width

    def safe(self, text: str) -> str:
        """Make text inert and fit for this terminal's encoding."""
        return encodable(inert(text), self._encoding)

    def cells(self, text: str) -> int:
        """Count the columns that a text takes here."""
        return cell_len(self.safe(text))

    def fitted(self, text: str, width: int, *, right: bool = False) -> str:
        """Fill a text up to a width."""
        text = self.safe(text)
        gap = " " * (width - cell_len(text))
        return gap + text if right else text + gap

    def shortened(self, text: str, width: int) -> str:
        """Cut a text in the middle; the end, which tells one file from another, keeps most.

        Below the width of the dots and one character on either side nothing is cut.
        """
        text = self.safe(text)
        if cell_len(text) <= width or width < len(DOTS) + 2:
            return text
        tail_width = (width - len(DOTS)) * 2 // 3
        head_width = width - len(DOTS) - tail_width
        head = set_cell_size(text, head_width)
        tail = text[-tail_width:]
        while cell_len(tail) > tail_width:  # characters that take two columns
            tail = tail[1:]
        return f"{head}{DOTS}{tail}"

    def blank(self) -> None:
        """Leave a line empty."""
        self._console.print()

    def line(self, *parts: str | tuple[str, str]) -> None:
        """Write one line from texts or (text, style) pairs; it is never wrapped or cut."""
        pairs = [(part, PLAIN) if isinstance(part, str) else part for part in parts]
        text = Text.assemble(*((self.safe(words), style) for words, style in pairs))
        text.rstrip()
        self._console.print(text, no_wrap=True, overflow="ignore", crop=False)

    def heading(self, text: str) -> None:
        """Start a section."""
        self.blank()
        self.line((text, STRONG))

    def paragraph(self, text: str, *, indent: int = 0, label: str = "", style: str = PLAIN) -> None:
        """Write wrapped text, its further lines below the first one's text.

        Parameters
        ----------
        text : str
            The sentence.
        indent : int
            Columns left empty.
        label : str
            Words that stand before the text, on the first line only.
        style : str
            Style of the text; the label stays plain.
        """
        label = self.safe(label)
        start = indent + cell_len(label)
        room = max(min(self.width, LONGEST_LINE) - start, LONGEST_LINE // 5)
        lines = Text(self.safe(text), style=style).wrap(self._console, room)
        before = " " * indent + label
        for line in lines:
            line.rstrip()
            self._console.print(Text(before) + line, no_wrap=True, overflow="ignore", crop=False)
            before = " " * start

    def pair(self, label: str, value: str | None, *, width: int, missing: str) -> None:
        """Write a labelled value, wrapped under itself; ``None`` is spelt as ``missing``."""
        before = self.fitted(label, width)
        if value is None:
            self.paragraph(missing, indent=2, label=before, style=QUIET)
        else:
            self.paragraph(value, indent=2, label=before)
