"""A file that came over the network, or was loaded whole: its name and its bytes."""

from dataclasses import dataclass

MOST_BYTES = 256 * 2**20  # of a file, and of a workbook once unpacked
MOST_LINES = 2_000_000  # of a CSV


@dataclass(frozen=True, slots=True)
class Upload:
    """A file that came over the network: its name, for messages alone, and its bytes.

    `most_bytes` is what it may have, and what a workbook may unpack to; `most_lines` are a CSV's.
    """

    name: str
    content: bytes
    most_bytes: int = MOST_BYTES
    most_lines: int = MOST_LINES

    def __str__(self) -> str:
        return self.name
