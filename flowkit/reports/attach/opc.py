"""Office files as packages: named parts in a zip, read and written without touching what stays.

ECMA-376, part 2 (Open Packaging Conventions): parts, relationships, content types.
"""

from __future__ import annotations

import io
import posixpath
import zipfile
import zlib
from collections.abc import Container, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from urllib.parse import unquote

from flowkit.errors import AttachError

if TYPE_CHECKING:
    from types import ModuleType

CONTENT_TYPES = "[Content_Types].xml"
PNG = "image/png"
RELS = "application/vnd.openxmlformats-package.relationships+xml"
OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
RELATIONSHIPS = "http://schemas.openxmlformats.org/package/2006/relationships"
DOCUMENT = "/relationships/officeDocument"
_LARGEST = 4 * 1024**3
_FIXED_DATE = (1980, 1, 1, 0, 0, 0)


@dataclass(frozen=True, slots=True)
class Relationship:
    """One line of a relationships part; `target` is a part's name, or a link where external."""

    id: str
    type: str
    target: str
    external: bool


@dataclass(frozen=True, slots=True)
class Package:
    """An office file taken apart."""

    name: str
    parts: Mapping[str, bytes]
    entries: Mapping[str, zipfile.ZipInfo]
    comment: bytes = b""

    @property
    def document(self) -> str:
        """The name of the main part."""
        for item in relationships(self.parts, ""):
            if item.type.endswith(DOCUMENT) and not item.external and item.target in self.parts:
                return item.target
        raise AttachError(
            "the file has no main part", "open it in the program it was made with and save it again", file=self.name
        )

    def content_type(self, part: str) -> str:
        """Return the content type declared for a part, empty where none is."""
        root = parse(self.parts[CONTENT_TYPES], self.name)
        ending = part.rpartition(".")[2].lower()
        default = ""
        for item in root:
            if str(item.get("PartName", "")).lstrip("/").lower() == part.lower():
                return str(item.get("ContentType"))
            if str(item.get("Extension", "")).lower() == ending:
                default = str(item.get("ContentType"))
        return default


def _etree() -> ModuleType:
    """Load lxml when it is needed."""
    from lxml import etree  # type: ignore[import-untyped]

    return etree  # type: ignore[no-any-return]


def parse(data: bytes, name: str, classes: Any = None) -> Any:
    """Parse a part's XML, nothing outside it looked up."""
    etree = _etree()
    try:
        parser = etree.XMLParser(resolve_entities=False, no_network=True, huge_tree=True)
        if classes is not None:
            parser.set_element_class_lookup(classes)
        return etree.fromstring(data, parser)
    except etree.XMLSyntaxError as error:
        raise AttachError(
            "a part of the file is damaged", "open it in the program it was made with and save it again", file=name
        ) from error


def serialised(root: Any) -> bytes:
    """Write XML as it was declared when read."""
    etree = _etree()
    declared = root.getroottree().docinfo
    data: bytes = etree.tostring(
        root.getroottree(),
        xml_declaration=True,
        encoding=declared.encoding or "UTF-8",
        standalone=declared.standalone or None,  # unstated is read as no
    )
    return data


def canonical(element: Any) -> bytes:
    """Return an element in a form in which equal ones are equal bytes (Exclusive XML Canonicalization 1.0)."""
    data: bytes = _etree().tostring(element, method="c14n", exclusive=True)
    return data


def qualified(root: Any, name: str) -> str:
    """Return an element's name in the namespace of the root element."""
    namespace = root.tag.partition("}")[0]
    return f"{namespace}}}{name}" if namespace.startswith("{") else name


def read_package(data: bytes, name: str) -> Package:
    """Take an office file apart."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            infos = archive.infolist()
            names = [info.filename for info in infos]
            if len({item.lower() for item in names}) < len(names):
                raise AttachError(
                    "the file is damaged (two parts of one name)",
                    "save it again in the program it was made with, then try again",
                    file=name,
                )
            if any(info.flag_bits & 1 for info in infos):
                raise AttachError("the file is encrypted", "save it without a password", file=name)
            if sum(info.file_size for info in infos) > _LARGEST:
                raise AttachError("the file unpacks to more than 4 GB", "attach to a smaller one", file=name)
            parts = {info.filename: archive.read(info) for info in infos}
            comment = archive.comment
    except (zipfile.BadZipFile, zlib.error, NotImplementedError, EOFError, OSError, ValueError) as error:
        whole = zipfile.is_zipfile(io.BytesIO(data))
        raise AttachError(
            f"the file is damaged{'' if whole else ' (it is cut short)'}",
            "open it in the program it was made with, save it again, then try again",
            file=name,
        ) from error
    if CONTENT_TYPES not in parts:
        raise AttachError("this is not a workbook or document", "attach to a PDF, XLSX, XLSM or DOCX", file=name)
    if any(part.lower().startswith("_xmlsignatures/") for part in parts):
        raise AttachError(
            "the file is digitally signed, and any change would break the signature",
            "attach before signing, or to an unsigned copy",
            file=name,
        )
    return Package(name, parts, {info.filename: info for info in infos}, comment)


def written(package: Package, changes: Mapping[str, bytes | None]) -> bytes:
    """Write a package with some parts changed, added or (None) left out; all others as they are."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.comment = package.comment
        for name, old in package.parts.items():
            content = changes.get(name, old)
            if content is not None:
                archive.writestr(_entry(name, package.entries[name]), content)
        for name, content in changes.items():
            if name not in package.parts and content is not None:
                archive.writestr(_entry(name, None), content)
    return out.getvalue()


def _entry(name: str, former: zipfile.ZipInfo | None) -> zipfile.ZipInfo:
    """Make a zip entry like a former one, or a new one that does not depend on the day."""
    entry = zipfile.ZipInfo(name, former.date_time if former else _FIXED_DATE)
    entry.compress_type = zipfile.ZIP_DEFLATED
    if former:
        entry.external_attr, entry.create_system, entry.comment = (
            former.external_attr,
            former.create_system,
            former.comment,
        )
        if former.compress_type == zipfile.ZIP_STORED:
            entry.compress_type = zipfile.ZIP_STORED
    return entry


def rels_name(part: str) -> str:
    """Return the name of the part that holds a part's relationships.

    >>> rels_name("xl/workbook.xml")
    'xl/_rels/workbook.xml.rels'
    """
    folder, file = posixpath.split(part)
    return posixpath.join(folder, "_rels", file + ".rels")


def relationships(parts: Mapping[str, bytes], part: str, name: str = "") -> tuple[Relationship, ...]:
    """Return the relationships of a part; none where it has no such part."""
    data = parts.get(rels_name(part))
    if not data:
        return ()
    found = []
    for item in parse(data, name):
        if item.get("Id") is None:
            continue
        external = item.get("TargetMode") == "External"
        target = str(item.get("Target", ""))
        if not external:
            base = "/" if target.startswith("/") else posixpath.dirname(part)
            target = posixpath.normpath(posixpath.join(base, unquote(target))).lstrip("/")
        found.append(Relationship(str(item.get("Id")), str(item.get("Type", "")), target, external))
    return tuple(found)


def add_relationships(data: bytes, new: Iterable[tuple[str, str]], name: str) -> tuple[bytes, tuple[str, ...]]:
    """Add relationships to a relationships part."""
    etree = _etree()
    root = parse(data or f'<Relationships xmlns="{RELATIONSHIPS}"/>'.encode(), name)
    taken = {str(item.get("Id")) for item in root}
    ids = []
    number = 0
    for type_, target in new:
        number += 1
        while f"rIdFlow{number}" in taken:
            number += 1
        ids.append(f"rIdFlow{number}")
        etree.SubElement(root, qualified(root, "Relationship"), Id=ids[-1], Type=type_, Target=target)
    return serialised(root), tuple(ids)


def typed(data: bytes, overrides: Mapping[str, str], gone: Iterable[str], name: str) -> bytes:
    """Declare the content types of added parts and drop those of parts left out.

    A relationships part is declared where the file has no default for its ending, as some programs write it.
    """
    etree = _etree()
    root = parse(data, name)
    endings = {str(item.get("Extension", "")).lower() for item in root}
    left_out = {part.lower() for part in (*gone, *overrides)}
    for item in list(root):
        if str(item.get("PartName", "")).lstrip("/").lower() in left_out:
            root.remove(item)
    for part, content_type in overrides.items():
        if part.endswith(".rels") and "rels" in endings:
            continue
        etree.SubElement(root, qualified(root, "Override"), PartName="/" + part, ContentType=content_type)
    return serialised(root)


def free_name(wanted: str, taken: Any) -> str:
    """Return a part name nobody has yet; part names do not tell case.

    >>> free_name("xl/styles.xml", ["XL/Styles.xml"])
    'xl/styles-2.xml'
    """
    lower = {str(item).lower() for item in taken}
    stem, _, ending = wanted.rpartition(".")
    number, name = 1, wanted
    while name.lower() in lower:
        number += 1
        name = f"{stem}-{number}.{ending}"
    return name


def reached(package: Package, part: str, rels: bytes | None) -> set[str]:
    """Return every part one comes to by relationships, with those of one part as given (None: as they are)."""
    parts = package.parts if rels is None else {**package.parts, rels_name(part): rels}
    found: set[str] = set()
    pending = [""]
    while pending:
        here = pending.pop()
        if rels_name(here) in parts:
            found.add(rels_name(here))
        for item in relationships(parts, here, package.name):
            if not item.external and item.target in parts and item.target not in found:
                found.add(item.target)
                pending.append(item.target)
    return found


def drop_relationships(data: bytes, gone: Container[str], name: str) -> bytes:
    """Take relationships out of a relationships part by their identifiers."""
    if not data:
        return data
    root = parse(data, name)
    for item in list(root):
        if str(item.get("Id")) in gone:
            root.remove(item)
    return serialised(root)


@contextmanager
def damage_named(name: str) -> Iterator[None]:
    """Say in plain words that a file is damaged, whatever part of it is not as it should be."""
    try:
        yield
    except AttachError:
        raise
    except (ArithmeticError, AttributeError, LookupError, RuntimeError, TypeError, ValueError) as error:
        raise AttachError(
            "the file is damaged", "open it in the program it was made with and save it again", file=name
        ) from error
