#!/usr/bin/env python3
"""Checks a monthly package with nothing but the file and Python 3.9 or newer.

    verify_package.py FILE [--previous FILE] [--key "ssh-ed25519 AAAA..."]

Exit code 0: it holds; 1: it does not, each line says where; 2: it cannot be
read. It recounts what README.txt and data/control.csv inside the package
promise, compares the workbook cell by cell, and shares no line of code with
the program that wrote it.
"""
import argparse, base64, csv, datetime, decimal, hashlib, io, json, re, struct, sys, zipfile, zlib
import xml.etree.ElementTree as ET
from fractions import Fraction

LIMIT = 8 << 30  # bytes unpacked
MASK = (1 << 64) - 1
decimal.getcontext().prec = 80
TOKEN = re.compile(r"[A-Za-z][A-Za-z0-9._:-]*")
TRAP = re.compile(r"(jan(uary)?|feb(ruary)?|mar(ch)?|apr(il)?|may|june?|july?|aug(ust)?|sept?(ember)?|oct(ober)?|nov(ember)?|dec(ember)?)"
                  r"[-.:]?\d{1,4}|true|false", re.I | re.A)
MOMENT = re.compile(r"(\d{4}-\d\d-\d\d)T([01]\d|2[0-3]):[0-5]\d:([0-5]\d|60)(\.\d{1,9})?(Z|[+-]([01]\d|2[0-3]):[0-5]\d)", re.A)
GUARDED = tuple("=+-@\t\r\n\0'＝＋－＠")


class Unreadable(Exception):
    pass


class Package:
    def __init__(self, path):
        self.faults, self.totals, self.keys, self.changed = [], {}, {}, 0
        with open(path, "rb") as f:
            self.sha256 = hashlib.file_digest(f, "sha256").hexdigest() if hasattr(hashlib, "file_digest") else hashlib.sha256(f.read()).hexdigest()
        self.zip = zipfile.ZipFile(path)
        infos = [i for i in self.zip.infolist() if not i.is_dir()]
        if sum(i.file_size for i in infos) > LIMIT:
            raise Unreadable("too large when unpacked")
        roots = [i.filename[:-len("bagit.txt")] for i in infos if i.filename.split("/")[-1] == "bagit.txt"]
        if len(roots) != 1 or roots[0].count("/") > 1:
            raise Unreadable("not a bag: one bagit.txt is expected")
        self.root, self.names = roots[0], [i.filename[len(roots[0]):] for i in infos]
        if any(not i.filename.startswith(self.root) or ".." in i.filename.split("/") or i.flag_bits & 1 for i in infos) or len(set(self.names)) < len(infos):
            raise Unreadable("a member is outside the bag, stands twice or is encrypted")
        self.info = dict(line.split(": ", 1) for line in self.read("bag-info.txt").decode().splitlines())
        self.descriptor = json.loads(self.read("data/datapackage.json"))
        self.tables = {r["name"]: r for r in self.descriptor["resources"]}

    def fault(self, file, row, column, text):
        self.faults.append(f"{file}{f' row {row}' if row else ''}{f' column {column}' if column else ''}: {text}")

    def read(self, name):
        return self.zip.read(self.root + name)

    def files(self, table):
        path = self.tables[table]["path"]
        return [path] if isinstance(path, str) else path

    def rows(self, table, file):
        """Rows with the number a spreadsheet shows; the header is row 1."""
        fields = [f["name"] for f in self.tables[table]["schema"]["fields"]]
        with self.zip.open(self.root + "data/" + file) as raw:
            reader = csv.reader(io.TextIOWrapper(raw, "utf-8-sig", newline=""), strict=True)
            if next(reader, None) != fields:
                self.fault(file, 1, "", "not the header that datapackage.json describes")
            for number, cells in enumerate(reader, 2):
                if len(cells) == len(fields):
                    yield number, cells
                else:
                    self.fault(file, number, "", f"{len(cells)} cells, {len(fields)} columns")

    def digests(self):
        listed = {"tagmanifest-sha256.txt", "tagmanifest-sha256.txt.sig"}
        for manifest in "manifest-sha256.txt", "tagmanifest-sha256.txt":
            for line in self.read(manifest).decode().splitlines():
                digest, name = line.split("  ", 1)
                listed.add(name)
                if name not in self.names:
                    self.fault(name, 0, "", "listed and missing")
                    continue
                with self.zip.open(self.root + name) as f:
                    found = hashlib.sha256()
                    for block in iter(lambda: f.read(1 << 20), b""):
                        found.update(block)
                if found.hexdigest() != digest:
                    self.fault(name, 0, "", "another SHA-256 than the manifest says")
        for name in set(self.names) - listed:
            self.fault(name, 0, "", "there and not listed")
        data = [i.file_size for i in self.zip.infolist() if i.filename.startswith(self.root + "data/") and not i.is_dir()]
        if self.info["Payload-Oxum"] != f"{sum(data)}.{len(data)}":
            self.fault("bag-info.txt", 0, "", "Payload-Oxum does not hold")
        described = {"data/" + f for t in self.tables for f in self.files(t)} | {"data/datapackage.json"}
        for name in described ^ {n for n in self.names if n.startswith("data/")}:
            self.fault(name, 0, "", "described and missing, or there and not described")

    def content(self):
        """Schema, primary keys and totals; then foreign keys."""
        for table, resource in self.tables.items():
            fields, schema = resource["schema"]["fields"], resource["schema"]
            columns = {f["name"]: i for i, f in enumerate(fields)}
            key = [columns[k] for k in schema["primaryKey"]]
            unique = [i for i, f in enumerate(fields) if f.get("constraints", {}).get("unique")]
            seen, singles = self.keys.setdefault(table, set()), [set() for _ in unique]
            for file in self.files(table):
                count, ids = 0, 0
                sums = [[0, decimal.Decimal(0), 0, 0] for _ in fields]
                for number, cells in self.rows(table, file):
                    count += 1
                    for field, cell, s in zip(fields, cells, sums):
                        why = judge(field, cell, field["name"] in schema["primaryKey"])
                        if why:
                            self.fault(file, number, field["name"], f"{cell[:40]!r} {why}")
                        if cell:
                            crc = zlib.crc32(cell.encode())
                            s[0], s[2], s[3] = s[0] + 1, s[2] + crc, s[3] + crc * count
                            if field["type"] in ("integer", "number") and not why:
                                s[1] += decimal.Decimal(cell)
                            self.changed += field["type"] == "string" and "kind" not in field and cell[0] == "'"
                    name = "\x1f".join(cells[i] for i in key)
                    ids ^= int.from_bytes(hashlib.sha256(name.encode()).digest()[:8], "big")
                    if name in seen:
                        self.fault(file, number, fields[key[0]]["name"], "this key stands already in a row above")
                    seen.add(name)
                    for i, values in zip(unique, singles):
                        if cells[i] in values:
                            self.fault(file, number, fields[i]["name"], "stands already in a row above")
                        values.update([cells[i]] if cells[i] else [])
                for i, (field, s) in enumerate(zip(fields, sums)):
                    total = f"{s[1]:.{field.get('decimals', 0)}f}" if field["type"] in ("integer", "number") else ""
                    self.totals[file, field["name"]] = [str(count), str(s[0]), total, f"x{ids:016x}" if i == key[0] else "",
                                                        f"x{s[2] & MASK:016x}", f"x{s[3] & MASK:016x}"]
        for table, resource in self.tables.items():
            names = [f["name"] for f in resource["schema"]["fields"]]
            for fk in resource["schema"].get("foreignKeys", []):
                at = [names.index(c) for c in fk["fields"]]
                for file in self.files(table):
                    for number, cells in self.rows(table, file):
                        value = [cells[i] for i in at]
                        if all(value) and "\x1f".join(value) not in self.keys[fk["reference"]["resource"] or table]:
                            self.fault(file, number, fk["fields"][0], f"{value[0]!r} is in no row of {fk['reference']['resource']}")
        if str(self.changed) != self.info["Changed-Cells"]:
            self.fault("bag-info.txt", 0, "", f"Changed-Cells: there are {self.changed}")

    def control(self):
        head = ["rows_count", "known_count", "total", "id_hash", "cells_hash", "cells_by_row_hash"]
        counted = {k: v for k, v in self.totals.items() if k[0] != "control.csv"}
        for number, (file, column, *said) in self.rows("control", "control.csv"):
            found = counted.pop((file, column), None)
            if found is None or said == found:
                found or self.fault("control.csv", number, "", f"{file}, column {column}: no such column")
                continue
            row, same_rows = 0, said[0] == found[0]
            if same_rows and all(re.fullmatch("x[0-9a-f]{16}", v) for v in said[4:]):
                a, b = (signed(int(f[1:], 16) - int(s[1:], 16)) for f, s in zip(found[4:], said[4:]))
                row = b // a + 1 if a and b % a == 0 and 1 <= b // a <= int(found[0]) else 0
                if b == 0:  # the cells are those that were counted: the line is wrong
                    first = next(i for i in range(6) if said[i] != found[i])
                    self.fault("control.csv", number, head[first], f"{file}, column {column}: says {said[first]!r}, the cells give {found[first]!r}")
                    continue
            differ = ", ".join(f"{h} is {f!r}, control.csv says {s!r}" for h, f, s in zip(head, found, said) if f != s)
            self.fault(file, row, column, differ)
        for file, column in counted:
            self.fault("control.csv", 0, "", f"no line for {file}, column {column}")

    def measures(self):
        names = [f["name"] for f in self.tables["reconciliation"]["schema"]["fields"]]
        for number, cells in self.rows("reconciliation", "reconciliation.csv"):
            line = dict(zip(names, cells))
            if line["kind"] == "measure":
                yield number, line["measure"], [int(line[c] or 0) for c in ("previous_cumulative", "new", "late", "corrections_net", "voided", "cumulative")]

    def cumulative(self, previous):
        before = {m: v[5] for _, m, v in previous.measures()} if previous else {}
        for number, measure, (start, new, late, net, voided, end) in self.measures():
            if start + new + late + net - voided != end:
                self.fault("reconciliation.csv", number, "cumulative", f"{measure}: {end}, the line adds up to {start + new + late + net - voided}")
            grown = previous and previous.info["Schema-Version"] != self.info["Schema-Version"]
            if previous and before.pop(measure, start if grown else 0) != start:
                self.fault("reconciliation.csv", number, "previous_cumulative", f"{measure}: not the cumulative of the package before")
        for measure in before:
            self.fault("reconciliation.csv", 0, "measure", f"{measure}: stood in the package before and is missing")
        if previous:
            y, m = map(int, self.info["Month"].split("-"))
            month = f"{y - (m == 1)}-{(m - 2) % 12 + 1:02}"
            same = all(previous.info[k] == self.info[k] for k in ("Program", "Demo"))
            if not same or previous.info["Month"] != month or previous.info["Position"] != self.info["Previous-Position"] \
                    or self.info.get("Previous-SHA256", previous.sha256) != previous.sha256:
                self.fault("bag-info.txt", 0, "", "the previous package is not the one that this one continues")

    def books(self):
        """Every workbook shows the cells of the tables and nothing else."""
        views = {v["path"]: v for v in self.descriptor.get("views", [])}
        for path in [n for n in self.names if n.startswith("view/") and n.endswith(".xlsx") and n not in views]:
            self.fault(path, 0, "", "there, and not described")
        for path, view in views.items():
            try:
                book = Book(self.read(path))
                pages = self.pages(view)
                if [name for name, _ in book.sheets] != [name for name, *_ in pages]:
                    raise ValueError(f"its sheets are {[name for name, _ in book.sheets]}")
                for (name, headings, rows), (_, part) in zip(pages, book.sheets):
                    want = {(r, c): v for r, row in enumerate([[("words", h) for h in headings], *rows], 1) for c, v in enumerate(row, 1) if v}
                    for at, held in book.cells(part):
                        cell = want.pop(at, None)
                        if not cell or not shows(held, *cell):
                            self.fault(f"{path} sheet {name}", at[0], [*headings, at[1]][min(at[1] - 1, len(headings))],
                                       f"holds {held[1][:40]!r}, the tables give {cell[1][:40] if cell else ''!r}")
                    for (row, column), cell in want.items():
                        self.fault(f"{path} sheet {name}", row, headings[column - 1], f"is empty or stands twice, the tables give {cell[1][:40]!r}")
            except (KeyError, ValueError, IndexError, zipfile.BadZipFile, zlib.error, ET.ParseError, EOFError, RuntimeError, NotImplementedError) as e:
                self.fault(path, 0, "", f"is not a workbook of figures: {type(e).__name__}: {e}")

    def pages(self, view):
        """Each sheet with its name, its headings and the rows of (kind, text) that it must show; None is empty."""
        tables = {}
        for name in view["resources"]:
            fields = self.tables[name]["schema"]["fields"]
            tables[name] = fields, [cells for file in self.files(name) for _, cells in self.rows(name, file)]
        front = []
        for line in view["lines"]:
            if not line.get("file"):
                front.append([("words", line["what"])])
                continue
            if line["file"] == "bag-info.txt":
                text = self.info.get(line["row"], "")
                if line["row"] == "As-Of":
                    value = "moment", text[:19]
                elif line["row"] == "Bagging-Date":
                    value = "day", text
                else:
                    value = figure(text) if line["row"] in ("Revision", "Position", "Previous-Position") else word(text)
            else:
                name = line["file"][:-len(".csv")]
                fields, rows = tables[name]
                names = [f["name"] for f in fields]
                key, at = names.index(self.tables[name]["schema"]["primaryKey"][0]), names.index(line["column"])
                text = next(cells[at] for cells in rows if cells[key] == line["row"])
                value = shown(fields[at], text)
                if text and line.get("decimals"):
                    value = figure(str(decimal.Decimal(text).scaleb(-line["decimals"])))
            front.append([word(line["what"]), value] + [word(line.get(k, "")) for k in ("unit", "file", "row", "column")])
        sheets = [("Month", ["what", "value", "unit", "file", "row", "column"], front)]
        for name, (fields, rows) in tables.items():
            sheets.append((name[0].upper() + name[1:], [f["name"] for f in fields], [[shown(f, c) for f, c in zip(fields, cells)] for cells in rows]))
        return sheets

    def signature(self, wanted):
        if "tagmanifest-sha256.txt.sig" not in self.names:
            if wanted or self.info["Signature"] != "none":
                self.fault("tagmanifest-sha256.txt.sig", 0, "", "missing")
            return "not signed"
        text = self.read("tagmanifest-sha256.txt.sig").decode()
        _, begin, body, end, _ = text.split("-----")
        blob = base64.b64decode("".join(body.split()))
        key, space, _, algorithm, value = strings(blob[10:])
        digest = hashlib.sha512(self.read("tagmanifest-sha256.txt")).digest()
        message = b"SSHSIG" + b"".join(struct.pack(">I", len(x)) + x for x in (space, b"", algorithm, digest))
        kind, public = strings(key)
        ok = blob[:10] == b"SSHSIG\0\0\0\1" and base64.b64encode(blob).decode() == "".join(body.split()) and (kind, space, algorithm) == (b"ssh-ed25519", b"file", b"sha512")
        if not ok or not ed25519(public, message, strings(value)[1]):
            self.fault("tagmanifest-sha256.txt.sig", 0, "", "does not belong to this file")
        name = "ssh-ed25519 SHA256:" + base64.b64encode(hashlib.sha256(key).digest()).decode().rstrip("=")
        if self.info["Signature"] != name or wanted and base64.b64decode(wanted.split()[1]) != key:
            self.fault("tagmanifest-sha256.txt.sig", 0, "", f"made by another key, {name}")
        return "signed by " + name + ("" if wanted else "; whose key that is was not asked")


def judge(field, cell, in_key):
    """Why a cell does not fit its column; "" when it does."""
    limits = field.get("constraints", {})
    if not cell:
        return "must be known" if in_key or limits.get("required") else ""
    kind = field.get("kind", field["type"])
    if kind in ("id", "code"):
        ok = TOKEN.fullmatch(cell) and not TRAP.fullmatch(cell)
    elif kind == "string":
        ok = cell[0] == "'" and cell[1:].startswith(GUARDED) or not cell.startswith(GUARDED)
    elif kind in ("integer", "number"):
        ok = re.fullmatch(r"-?(0|[1-9][0-9]*)(\.[0-9]{1,%d})?" % field["decimals"] if field.get("decimals") else r"-?(0|[1-9][0-9]*)", cell)
    elif kind == "boolean":
        ok = cell in ("true", "false")
    else:
        moment = MOMENT.fullmatch(cell) if kind == "datetime" else None
        day = {"date": cell, "yearmonth": cell + "-01", "datetime": moment and moment[1]}[kind]
        try:
            ok = day and re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", day) and datetime.date.fromisoformat(day)
        except ValueError:
            ok = False
    if not ok:
        return f"is not of type {kind}"
    number = decimal.Decimal if kind in ("integer", "number") else str
    enum = [str(v) for v in limits.get("enum", [])]
    if "minimum" in limits and number(cell) < number(str(limits["minimum"])) or "maximum" in limits and number(cell) > number(str(limits["maximum"])):
        return "is out of the column's bounds"
    if enum and cell not in enum or len(cell) > limits.get("maxLength", len(cell)) or not re.fullmatch(limits.get("pattern", "(?s).*"), cell):
        return "is not allowed by the column's constraints"
    return ""


def figure(text):
    return ("figure" if sum(c.isdigit() for c in text) <= 15 else "words", text)  # a spreadsheet keeps 15 digits


def word(text):
    return ("words", "'" + text if text.startswith(GUARDED) else text) if text else None


def shown(field, text):
    """What a sheet shows of a table's cell."""
    if not text:
        return None
    if field["type"] in ("integer", "number"):
        return figure(text)
    return "day" if field.get("kind", field["type"]) == "date" else "words", text


def shows(held, kind, text):
    """Whether a workbook's cell is of the kind and has exactly the value."""
    if kind == "words":
        return held == ("text", text)
    if held[0] != "number" or not re.fullmatch(r"-?[0-9]{1,25}(\.[0-9]{1,25})?([eE][+-]?[0-9]{1,2})?", held[1]):
        return False
    if kind == "figure":
        return Fraction(held[1]) == Fraction(text)
    day = datetime.datetime.fromisoformat(text) - datetime.datetime(1899, 12, 30)  # so spreadsheets count from March 1900 on
    return abs(Fraction(held[1]) * 86400 - day // datetime.timedelta(seconds=1)) * 2 < (1 if kind == "moment" else Fraction(1, 10**9))


class Book:
    """An open workbook (ISO/IEC 29500-1) of plain cells; what could show another figure than a cell holds is refused."""
    PARTS = re.compile(r"\[Content_Types\]\.xml|_rels/\.rels|docProps/(app|core)\.xml|xl/(workbook|styles|theme/theme1|sharedStrings)\.xml"
                       r"|xl/_rels/workbook\.xml\.rels|xl/worksheets/sheet[0-9]{1,3}\.xml")
    PLAIN = set("worksheet sheetPr pageSetUpPr outlinePr tabColor dimension sheetViews sheetView pane selection sheetFormatPr cols col sheetData row c v is t r rPr "
                "printOptions pageMargins pageSetup headerFooter oddHeader oddFooter".split())

    def __init__(self, data):
        self.zip = zipfile.ZipFile(io.BytesIO(data))
        names = self.zip.namelist()
        for i in self.zip.infolist():
            if not self.PARTS.fullmatch(i.filename) or i.file_size > 64 << 20 or names.count(i.filename) > 1:
                raise ValueError(f"it holds {i.filename!r}, or twice, or too large")
        target = {e.get("Id"): e.get("Target") for e in self.elements("xl/_rels/workbook.xml.rels")}
        self.sheets = []
        for e in self.elements("xl/workbook.xml", "sheet"):
            if e.get("state", "visible") != "visible":
                raise ValueError(f"sheet {e.get('name')!r} is hidden")
            part = target[next(v for k, v in e.attrib.items() if k.split("}")[-1] == "id")].lstrip("/")
            self.sheets.append((e.get("name"), part if part.startswith("xl/") else "xl/" + part))
        self.shared = [self.text(e, "t") for e in self.elements("xl/sharedStrings.xml", "si")] if "xl/sharedStrings.xml" in names else []
        for e in self.elements("xl/styles.xml", "numFmt"):
            if not re.fullmatch(r"yyyy-mm-dd( hh:mm:ss)?|#,##0(\.0+)?", e.get("formatCode", "")):
                raise ValueError(f"number format {e.get('formatCode')!r} may show another figure than a cell holds")

    def elements(self, part, tag=None):
        data = self.zip.read(part)
        if b"<!DOCTYPE" in data:
            raise ValueError(f"{part} has a document type")
        return [e for e in ET.fromstring(data).iter() if tag in (None, e.tag.split("}")[-1])]

    @staticmethod
    def text(element, *tags):
        text = "".join(e.text or "" for e in element.iter() if e.tag.split("}")[-1] in tags)
        return re.sub("_x([0-9A-Fa-f]{4})_", lambda m: chr(int(m[1], 16)), text)

    def cells(self, part):
        """Each cell that holds something: ((row, column), (number or text, value))."""
        for e in self.elements(part):
            tag = e.tag.split("}")[-1]
            if tag not in self.PLAIN or e.get("hidden", "0") not in ("", "0", "false"):
                raise ValueError(f"it has <{tag}>, or hides rows or columns")
            value = self.text(e, "v", "t") if tag == "c" else ""
            if not value:
                continue
            letters, number = re.fullmatch("([A-Z]{1,4})([1-9][0-9]{0,6})", e.get("r")).groups()
            column = 0
            for letter in letters:
                column = column * 26 + ord(letter) - 64
            kind = {"n": "number", "s": "shared", "str": "text", "inlineStr": "text"}[e.get("t", "n")]
            yield (int(number), column), ("text", self.shared[int(value)]) if kind == "shared" else (kind, value)


def signed(v):
    return ((v & MASK) ^ (1 << 63)) - (1 << 63)


def strings(b):
    """The length-prefixed strings of an SSH message."""
    out = []
    while b:
        n = struct.unpack(">I", b[:4])[0]
        out.append(b[4:4 + n])
        b = b[4 + n:]
    return out


P, L = 2**255 - 19, 2**252 + 27742317777372353535851937790883648493
D = -121665 * pow(121666, P - 2, P) % P


def add(a, b):  # RFC 8032, section 5.1.4, extended coordinates
    u, v = (a[1] - a[0]) * (b[1] - b[0]) % P, (a[1] + a[0]) * (b[1] + b[0]) % P
    w, z = 2 * a[3] * b[3] * D % P, 2 * a[2] * b[2] % P
    e, f, g, h = v - u, z - w, z + w, v + u
    return e * f % P, g * h % P, f * g % P, e * h % P


def times(n, point):
    out = (0, 1, 1, 0)
    while n:
        out, point, n = add(out, point) if n & 1 else out, add(point, point), n >> 1
    return out


def decompress(b):
    y = int.from_bytes(b, "little")
    sign, y = y >> 255, y & (1 << 255) - 1
    square = (y * y - 1) * pow(D * y * y + 1, P - 2, P) % P
    x = pow(square, (P + 3) // 8, P)
    if x * x % P != square:
        x = x * pow(2, (P - 1) // 4, P) % P
    if x * x % P != square or y >= P:
        raise ValueError("not a point")
    x = P - x if x & 1 != sign else x
    return x, y, 1, x * y % P


def ed25519(public, message, signature):  # RFC 8032, section 5.1.7
    try:
        a, r, s = decompress(public), decompress(signature[:32]), int.from_bytes(signature[32:], "little")
    except ValueError:
        return False
    base = decompress((4 * pow(5, P - 2, P) % P).to_bytes(32, "little"))
    h = int.from_bytes(hashlib.sha512(signature[:32] + public + message).digest(), "little") % L
    left, right = times(s, base), add(r, times(h, a))
    return len(signature) == 64 and s < L and all((left[i] * right[2] - right[i] * left[2]) % P == 0 for i in (0, 1))


def main():
    args = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    args.add_argument("file")
    args.add_argument("--previous", help="the package of the month before")
    args.add_argument("--key", help="the sender's public key, as in its .pub file")
    args = args.parse_args()
    try:
        package = Package(args.file)
        previous = Package(args.previous) if args.previous else None
        package.digests()
        who = package.signature(args.key)
        package.content()
        package.control()
        package.cumulative(previous)
        package.books()
    except (Unreadable, OSError, EOFError, zipfile.BadZipFile, zlib.error, RuntimeError, NotImplementedError) as e:
        print(f"{args.file}: cannot be read: {e}", file=sys.stderr)
        return 2
    except (KeyError, ValueError, IndexError, TypeError, csv.Error, struct.error, re.error) as e:
        print(f"{args.file}: DOES NOT HOLD: not in the package's form: {type(e).__name__}: {e}")
        return 1
    print(f"{args.file}: {'DOES NOT HOLD' if package.faults else 'holds'}; {who}")
    for line in package.faults[:50]:
        print("  " + line)
    return 1 if package.faults else 0


if __name__ == "__main__":
    sys.exit(main())
