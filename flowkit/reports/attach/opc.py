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
from typing import Any
from urllib.parse import unquote

from lxml import etree  # type: ignore[import-untyped]

from flowkit.errors import AttachError

CONTENT_TYPES = "[Content_Types].xml"
PNG = "image/png"
RELS = "application/vnd.openxmlformats-package.relationships+xml"
OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
HEAD = '<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n'
EMU_PER_INCH = 914_400
_RELATIONSHIPS = "http://schemas.openxmlformats.org/package/2006/relationships"
_LARGEST = 4 * 1024**3
_FIXED_DATE = (1980, 1, 1, 0, 0, 0)
_SAVE_AGAIN = "open it in the program it was made with and save it again"


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
        for item in self.relationships(""):
            if item.type.endswith("/relationships/officeDocument") and not item.external and item.target in self.parts:
                return item.target
        raise AttachError("the file has no main part", _SAVE_AGAIN, file=self.name)

    def content_type(self, part: str) -> str:
        """Return the content type declared for a part, empty where none is."""
        ending = part.rpartition(".")[2].lower()
        default = ""
        for item in parse(self.parts[CONTENT_TYPES], self.name):
            if _part_name(item) == part.lower():
                return str(item.get("ContentType"))
            if str(item.get("Extension", "")).lower() == ending:
                default = str(item.get("ContentType"))
        return default

    def relationships(self, part: str, root: Any = None) -> tuple[Relationship, ...]:
        """Return the relationships of a part, those of `root` where it is given; none where it has no such part."""
        data = self.parts.get(rels_name(part))
        if root is None and not data:
            return ()
        found = []
        for item in parse(data or b"", self.name) if root is None else root:
            if item.get("Id") is None:
                continue
            external = item.get("TargetMode") == "External"
            target = str(item.get("Target", ""))
            if not external:
                base = "/" if target.startswith("/") else posixpath.dirname(part)
                target = posixpath.normpath(posixpath.join(base, unquote(target))).lstrip("/")
            found.append(Relationship(str(item.get("Id")), str(item.get("Type", "")), target, external))
        return tuple(found)

    def reached(self, part: str, root: Any = None) -> set[str]:
        """Return every part one comes to by relationships, with those of one part as given (None: as they are)."""
        found: set[str] = set()
        pending = [""]
        while pending:
            here = pending.pop()
            if rels_name(here) in self.parts:
                found.add(rels_name(here))
            for item in self.relationships(here, root if here == part else None):
                if not item.external and item.target in self.parts and item.target not in found:
                    found.add(item.target)
                    pending.append(item.target)
        return found


class MainPart:
    """An office file's main part, with its relationships and the parts that belong to it, while they are changed."""

    def __init__(self, package: Package, tag: str, kind: str, ending: str, classes: Any = None) -> None:
        self.package, self.name, self.part, self._kind = package, package.name, package.document, kind
        self.root = parse(package.parts[self.part], self.name, classes)
        if self.root.tag != tag:
            raise AttachError(
                f"this {kind} is in the strict variant of its format",
                f"save it as {ending}, then try again",
                file=self.name,
            )
        rels = package.parts.get(rels_name(self.part))
        self._rels = parse(rels or f'<Relationships xmlns="{_RELATIONSHIPS}"/>'.encode(), self.name)
        self._new: dict[str, tuple[bytes, str]] = {}
        self.gone: list[str] = []

    def related(self, kind: str) -> str | None:
        """Return the name of the part of a kind that belongs to this one, or None where there is none."""
        found = self.package.relationships(self.part)
        parts = self.package.parts
        return next((item.target for item in found if item.type.endswith("/" + kind) and item.target in parts), None)

    def drop(self, ids: Container[str]) -> None:
        """Drop relationships, and with them the parts that nothing else leads to."""
        for item in list(self._rels):
            if str(item.get("Id")) in ids:
                self._rels.remove(item)
        self.gone = sorted(self.package.reached(self.part) - self.package.reached(self.part, self._rels))

    def add(self, wanted: str, data: bytes, content_type: str) -> str:
        """Add a part under a name beside this one that nobody has yet; part names do not tell case."""
        taken = {item.lower() for item in (*(set(self.package.parts) - set(self.gone)), *self._new)}
        name = posixpath.join(posixpath.dirname(self.part), wanted)
        stem, _, ending = name.rpartition(".")
        number = 1
        while name.lower() in taken:
            number += 1
            name = f"{stem}-{number}.{ending}"
        self._new[name] = (data, content_type)
        return name

    def relate(self, kind: str, part: str) -> str:
        """Add a relationship to a part; returns its identifier."""
        taken = {str(item.get("Id")) for item in self._rels}
        number = 1
        while (identifier := f"rIdFlow{number}") in taken:
            number += 1
        tag = qualified(self._rels, "Relationship")
        target = relative(self.part, part)
        etree.SubElement(self._rels, tag, Id=identifier, Type=f"{OFFICE}/{kind}", Target=target)
        return identifier

    def relate_new(self, part: str, kind: str, target: str) -> None:
        """Give an added part its one relationship, ``rId1``."""
        data = (
            f'{HEAD}<Relationships xmlns="{_RELATIONSHIPS}">'
            f'<Relationship Id="rId1" Type="{OFFICE}/{kind}" Target="{relative(part, target)}"/></Relationships>'
        )
        self._new[rels_name(part)] = (data.encode(), RELS)

    def rendered(self, changed: Mapping[str, bytes] | None = None) -> bytes:
        """Return the whole file as it is now, all parts but the changed ones as they were."""
        parts, rels = self.package.parts, rels_name(self.part)
        new = self._new if rels in parts else {**self._new, rels: (b"", RELS)}
        changes: dict[str, bytes | None] = dict.fromkeys(self.gone)
        changes |= {part: data for part, (data, _) in self._new.items()}
        changes |= {self.part: serialised(self.root), rels: serialised(self._rels), **(changed or {})}
        # A relationships part is declared where the file has no default for its ending, as some programs write it.
        types = parse(parts[CONTENT_TYPES], self.name)
        endings = {str(item.get("Extension", "")).lower() for item in types}
        declared_anew = {part.lower() for part in (*self.gone, *new)}
        for item in list(types):
            if _part_name(item) in declared_anew:
                types.remove(item)
        for part, (_, kind) in new.items():
            if not part.endswith(".rels") or "rels" not in endings:
                etree.SubElement(types, qualified(types, "Override"), PartName="/" + part, ContentType=kind)
        changes[CONTENT_TYPES] = serialised(types)
        return written(self.package, changes)

    def refuse_loss(self, after: Package, may_change: Iterable[str], lost: Iterable[str]) -> None:
        """Refuse to go on where the new file has lost a part, or what else is named."""
        free = {CONTENT_TYPES, self.part, rels_name(self.part), *self.gone, *may_change}
        named = [
            part for part, data in self.package.parts.items() if part not in free and after.parts.get(part) != data
        ]
        if named := [*lost, *named]:
            raise AttachError(
                f"the new file would lose {', '.join(named)} from the old one",
                f"save the {self._kind} again in the program it was made with, then try again",
                file=self.name,
            )


def _part_name(item: Any) -> str:
    """Return the part that a line of the content types is about."""
    return str(item.get("PartName", "")).lstrip("/").lower()


def rels_name(part: str) -> str:
    """Return the name of the part that holds a part's relationships.

    >>> rels_name("xl/workbook.xml")
    'xl/_rels/workbook.xml.rels'
    """
    folder, file = posixpath.split(part)
    return posixpath.join(folder, "_rels", file + ".rels")


def relative(part: str, target: str) -> str:
    """Return a part's name as a target seen from another part."""
    return posixpath.relpath("/" + target, "/" + posixpath.dirname(part))


def parse(data: bytes, name: str, classes: Any = None) -> Any:
    """Parse a part's XML, nothing outside it looked up."""
    try:
        parser = etree.XMLParser(resolve_entities=False, no_network=True, huge_tree=True)
        if classes is not None:
            parser.set_element_class_lookup(classes)
        return etree.fromstring(data, parser)
    except etree.XMLSyntaxError as error:
        raise AttachError("a part of the file is damaged", _SAVE_AGAIN, file=name) from error


def serialised(root: Any) -> bytes:
    """Write XML as it was declared when read."""
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
    data: bytes = etree.tostring(element, method="c14n", exclusive=True)
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
            if len({info.filename.lower() for info in infos}) < len(infos):
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
        for name, content in {**package.parts, **changes}.items():
            if content is None:
                continue
            # A new entry does not depend on the day.
            earlier = package.entries.get(name) or zipfile.ZipInfo(name, _FIXED_DATE)
            entry = zipfile.ZipInfo(name, earlier.date_time)
            stored = name in package.entries and earlier.compress_type == zipfile.ZIP_STORED
            entry.compress_type = zipfile.ZIP_STORED if stored else zipfile.ZIP_DEFLATED
            entry.external_attr, entry.create_system, entry.comment = (
                earlier.external_attr,
                earlier.create_system,
                earlier.comment,
            )
            archive.writestr(entry, content)
    return out.getvalue()


@contextmanager
def damage_named(name: str) -> Iterator[None]:
    """Say in plain words that a file is damaged, whatever part of it is not as it should be."""
    try:
        yield
    except AttachError:
        raise
    except (ArithmeticError, AttributeError, LookupError, RuntimeError, TypeError, ValueError) as error:
        raise AttachError("the file is damaged", _SAVE_AGAIN, file=name) from error
