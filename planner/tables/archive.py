"""Zip archives and XML from strangers: never larger than stated, no document types, no entities."""

import io
import zipfile
import zlib
from xml.etree import ElementTree
from xml.parsers import expat

UNPACKED_MAX_BYTES = 256 << 20  # all members of an archive together; a large fleet's workbook has a tenth
MEMBERS_MAX = 2000  # a workbook of a hundred sheets has a few hundred
STORED, DEFLATED = zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED


class ArchiveError(ValueError):
    """An archive or its XML cannot be used; the text says why, in words for a person."""


def unpack(
    data: bytes, *, most_bytes: int = UNPACKED_MAX_BYTES, most_members: int = MEMBERS_MAX
) -> dict[str, bytes]:
    """Members of a zip archive by name.

    Raises
    ------
    ArchiveError
        No zip archive, damaged, encrypted, or larger unpacked than any input is. The size is that of
        the bytes unpacked: the archive's own word for it is not trusted.
    """
    members: dict[str, bytes] = {}
    room = most_bytes
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            entries = archive.infolist()
            if len(entries) > most_members:
                raise ArchiveError(f"holds more than {most_members} parts")
            for entry in entries:
                if entry.flag_bits & 1:
                    raise ArchiveError("is encrypted")
                if entry.filename in members:
                    raise ArchiveError(f"holds {entry.filename!r} twice")
                members[entry.filename] = content = _inflate(data, entry, room)
                if len(content) > room:
                    raise ArchiveError(f"is larger than {most_bytes >> 20} MiB unpacked")
                room -= len(content)
    # struct errors and the like of a damaged directory come as these
    except (zipfile.BadZipFile, NotImplementedError, EOFError, OSError, UnicodeDecodeError) as error:
        raise ArchiveError(f"cannot be unpacked: {error}") from error
    return members


def _inflate(data: bytes, entry: zipfile.ZipInfo, room: int) -> bytes:
    """A member's bytes, unpacked from the archive's own; not the whole of it where that is over `room`."""
    at = entry.header_offset
    if data[at : at + 4] != b"PK\x03\x04":
        raise ArchiveError("cannot be unpacked: a part is not where it should be")
    # The local header is 30 bytes, then the name and the extra field, whose lengths stand at 26 and 28.
    start = at + 30 + int.from_bytes(data[at + 26 : at + 28], "little")
    start += int.from_bytes(data[at + 28 : at + 30], "little")
    packed = data[start : start + entry.compress_size]
    if entry.compress_type == STORED:
        content = packed
    elif entry.compress_type == DEFLATED:
        try:
            content = zlib.decompressobj(-zlib.MAX_WBITS).decompress(packed, room + 1)
        except zlib.error as error:
            raise ArchiveError(f"cannot be unpacked: {error}") from error
    else:
        raise ArchiveError("is packed in a way that is not read")
    if len(content) > room:
        return content  # the rest does not matter
    if len(content) != entry.file_size or zlib.crc32(content) != entry.CRC:
        raise ArchiveError("cannot be unpacked: a part is not what the archive says")
    return content


class _RootError(Exception):
    """The first element was met: what comes before it holds no document type."""


def parse_xml(data: bytes) -> ElementTree.Element:
    """Root of an XML document; a document type, and so every entity of one's own, is refused.

    Raises
    ------
    ArchiveError
        Not well-formed, or with a document type.
    """

    def refuse(*_: object) -> None:
        raise ArchiveError("has a document type (DOCTYPE), which may hide entities")

    def root(*_: object) -> None:
        raise _RootError

    prolog = expat.ParserCreate()
    prolog.StartDoctypeDeclHandler = refuse
    prolog.StartElementHandler = root
    try:
        prolog.Parse(data, True)
    except _RootError:
        pass
    except (expat.ExpatError, ValueError, LookupError) as error:
        raise _not_xml(error) from error
    try:
        return ElementTree.fromstring(data)
    except (ElementTree.ParseError, ValueError, LookupError) as error:
        raise _not_xml(error) from error


def _not_xml(error: Exception) -> ArchiveError:
    return error if isinstance(error, ArchiveError) else ArchiveError(f"is not well-formed XML: {error}")
