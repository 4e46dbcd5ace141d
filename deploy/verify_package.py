#!/usr/bin/env python3
"""Checks a monthly package with nothing but the file and Python 3.9 or newer.

    verify_package.py FILE [--key "ssh-ed25519 AAAA..."]

Exit code 0: it holds; 1: it does not, each line says where; 2: it cannot be
read. It recounts the manifests, data/control.csv, the lines of the reconciliation, the
links of a job's entries and all figures of README.txt; ssh-keygen checks the signature.
It shares no code with the writer. Types, keys and references are left to any
validator of datapackage.json.
"""
import argparse, csv, decimal, hashlib, io, json, re, subprocess, sys, tempfile, zipfile, zlib

LIMIT, MASK = 8 << 30, (1 << 64) - 1  # bytes unpacked; of 64 bits
FIGURE = re.compile(r"    (.+): (.+) \(([a-z0-9_]+)\.csv, ([^ ,]+), ([a-z0-9_]+)\)")
SUMS = ["rows_count", "known_count", "total", "id_hash", "cells_hash", "cells_by_row_hash"]
decimal.getcontext().prec = 80


class Package:
    def __init__(self, path):
        self.faults, self.totals, self.zip = [], {}, zipfile.ZipFile(path)
        infos = [i for i in self.zip.infolist() if not i.is_dir()]
        if sum(i.file_size for i in infos) > LIMIT:
            raise zipfile.BadZipFile("too large when unpacked")
        roots = [i.filename[:-len("bagit.txt")] for i in infos if i.filename.split("/")[-1] == "bagit.txt"]
        if len(roots) != 1 or roots[0].count("/") > 1:
            raise zipfile.BadZipFile("not a package: one bagit.txt is expected")
        self.root, self.names = roots[0], [i.filename[len(roots[0]):] for i in infos]
        if any(not i.filename.startswith(self.root) or ".." in i.filename.split("/") or i.flag_bits & 1 for i in infos) or len(set(self.names)) < len(infos):
            raise zipfile.BadZipFile("a member is outside the package's folder, stands twice or is encrypted")
        self.info = dict(line.split(": ", 1) for line in self.read("bag-info.txt").decode().splitlines())
        self.descriptor = json.loads(self.read("data/datapackage.json"))
        self.tables = {r["name"]: r["schema"] for r in self.descriptor["resources"]}

    def fault(self, file, row, column, text):
        self.faults.append(f"{file}{f' row {row}' if row else ''}{f' column {column}' if column else ''}: {text}")

    def read(self, name):
        return self.zip.read(self.root + name)

    def rows(self, table):
        """Rows with the number a spreadsheet shows; the header is row 1."""
        fields = [f["name"] for f in self.tables[table]["fields"]]
        with self.zip.open(f"{self.root}data/{table}.csv") as raw:
            reader = csv.reader(io.TextIOWrapper(raw, "utf-8-sig", newline=""), strict=True)
            if next(reader, None) != fields:
                self.fault(table + ".csv", 1, "", "not the header that datapackage.json describes")
            for number, cells in enumerate(reader, 2):
                if len(cells) == len(fields):
                    yield number, dict(zip(fields, cells))
                else:
                    self.fault(table + ".csv", number, "", f"{len(cells)} cells, {len(fields)} columns")

    def digests(self):
        listed = {"tagmanifest-sha256.txt", "tagmanifest-sha256.txt.sig"}
        for manifest in "manifest-sha256.txt", "tagmanifest-sha256.txt":
            for line in self.read(manifest).decode().splitlines():
                want, name = line.split("  ", 1)
                listed.add(name)
                if name not in self.names:
                    self.fault(name, 0, "", "listed and missing")
                elif hashlib.sha256(self.read(name)).hexdigest() != want:
                    self.fault(name, 0, "", "another SHA-256 than the manifest says")
        for name in set(self.names) - listed:
            self.fault(name, 0, "", "there and not listed")
        data = [i.file_size for i in self.zip.infolist() if i.filename.startswith(self.root + "data/") and not i.is_dir()]
        if self.info["Payload-Oxum"] != f"{sum(data)}.{len(data)}":
            self.fault("bag-info.txt", 0, "", "Payload-Oxum does not hold")
        described = {f"data/{t}.csv" for t in self.tables} | {"data/datapackage.json"}
        for name in described ^ {n for n in self.names if n.startswith("data/")}:
            self.fault(name, 0, "", "described and missing, or there and not described")

    def count(self):
        """The control sums of every column."""
        changed = 0
        for table, schema in self.tables.items():
            fields, key = schema["fields"], schema["primaryKey"]
            count, ids, sums = 0, 0, [[0, decimal.Decimal(0), 0, 0] for _ in fields]
            for number, row in self.rows(table):
                count += 1
                for field, s in zip(fields, sums):
                    cell = row[field["name"]]
                    if not cell:
                        continue
                    crc = zlib.crc32(cell.encode())
                    s[0], s[2], s[3] = s[0] + 1, s[2] + crc, s[3] + crc * count
                    changed += field["type"] == "string" and "kind" not in field and cell[0] == "'"
                    if field["type"] in ("integer", "number"):
                        if re.fullmatch(r"-?[0-9]+(\.[0-9]+)?", cell):
                            s[1] += decimal.Decimal(cell)
                        else:
                            self.fault(table + ".csv", number, field["name"], f"{cell[:40]!r} is no number")
                name = "\x1f".join(row[k] for k in key)
                ids ^= int.from_bytes(hashlib.sha256(name.encode()).digest()[:8], "big")
            for field, s in zip(fields, sums):
                total = f"{s[1]:.{field.get('decimals', 0)}f}" if field["type"] in ("integer", "number") else ""
                self.totals[table + ".csv", field["name"]] = [str(count), str(s[0]), total, f"x{ids:016x}" if field["name"] == key[0] else "",
                                                              f"x{s[2] & MASK:016x}", f"x{s[3] & MASK:016x}"]
        if str(changed) != self.info["Changed-Cells"]:
            self.fault("bag-info.txt", 0, "", f"Changed-Cells: there are {changed}")

    def control(self):
        counted = {k: v for k, v in self.totals.items() if k[0] != "control.csv"}
        for number, line in self.rows("control"):
            file, column, said = line["file_name"], line["column_name"], [line[s] for s in SUMS]
            found = counted.pop((file, column), None)
            if found is None:
                self.fault("control.csv", number, "", f"{file}, column {column}: no such column")
            elif said != found:
                row = 0
                if said[0] == found[0] and all(re.fullmatch("x[0-9a-f]{16}", v) for v in said[4:]):
                    a, b = (((int(f[1:], 16) - int(s[1:], 16) & MASK) ^ 1 << 63) - (1 << 63) for f, s in zip(found[4:], said[4:]))  # signed
                    row = b // a + 1 if a and b % a == 0 and 1 <= b // a <= int(found[0]) else 0  # one altered cell explains it
                self.fault(file, row, column, ", ".join(f"{h} is {f!r}, control.csv row {number} says {s!r}" for h, f, s in zip(SUMS, found, said) if f != s))
        for file, column in counted:
            self.fault("control.csv", 0, "", f"no line for {file}, column {column}")

    def cumulative(self):
        for number, line in self.rows("reconciliation"):
            if line["kind"] == "measure":
                start, new, late, net, voided, end = (int(line[c]) for c in ("previous_cumulative", "new", "late", "corrections_net", "voided", "cumulative"))
                if start + new + late + net - voided != end:
                    self.fault("reconciliation.csv", number, "cumulative", f"{line['measure']}: {end}, the line adds up to {start + new + late + net - voided}")

    def links(self):
        """Each entry of a job's file follows from the link before it."""
        entries = {}
        for number, row in self.rows("entries") if "entries" in self.tables else ():
            entries.setdefault(row["entry_id"], [number, row, ""])[2] += row["entry"][row["entry"][:1] == "'":]
        for number, row, text in entries.values():
            if row["link"] != "x" + hashlib.sha256(bytes.fromhex(row["previous_link"][1:]) + text.encode()).hexdigest():
                self.fault("entries.csv", number, "link", "does not follow from previous_link and entry")

    def readme(self):
        """Every figure of README.txt is the cell that it names; the descriptor says its unit and where it moves the point."""
        said = {(r["file"], r["row"], r["column"]): r for v in self.descriptor.get("views", []) for r in v["lines"] if "column" in r}
        cells, text = {}, self.read("README.txt").decode()
        told = [(rf"^  data/{t}\.csv +\S.*, (\d+) rows$", self.totals[t + ".csv", s["fields"][0]["name"]][0]) for t, s in self.tables.items()]
        told += [(r"^.+, program (\S+): (\d{4}-\d{2}), revision (\d+)\.$", " ".join(self.info[k] for k in ("Program", "Month", "Revision"))),
                 (r"^As of .+, entry (\d+) of the program's ledger\.$", self.info["Position"]), (r"^  take .+ to get the text as it was\. (\d+) cells have one\.$", self.info["Changed-Cells"])]
        for form, want in told:
            if [" ".join(m.groups()) for m in re.finditer(form, text, re.M)] != [want]:
                self.fault("README.txt", 0, "", f"it should say {want!r}, once, in the form {form}")
        for number, line in enumerate(text.splitlines(), 1):
            m = FIGURE.fullmatch(line)
            if not m:
                continue
            what, value, table, row, column = m.groups()
            if table in self.tables and table not in cells:
                cells[table] = {r[self.tables[table]["primaryKey"][0]]: r for _, r in self.rows(table)}
            text, about = cells.get(table, {}).get(row, {}).get(column), said.get((table + ".csv", row, column))
            if text is None or not about:
                self.fault("README.txt", number, "", f"{table}.csv, row {row}, column {column}: no such cell, or not named by the descriptor")
                continue
            if about.get("decimals") and text:
                text = str(decimal.Decimal(text).scaleb(-about["decimals"]))
            want = f"{text} {about.get('unit', '')}".strip() if text else "not known"
            if (what, value) != (about["what"], want):
                self.fault("README.txt", number, "", f"{what}: {value}, the cell gives {about['what']}: {want}")

    def signature(self, wanted):
        name = "tagmanifest-sha256.txt.sig"
        if name not in self.names:
            if wanted or self.info["Signature"] != "none":
                self.fault(name, 0, "", "missing")
            return "not signed"
        with tempfile.NamedTemporaryFile() as sig, tempfile.NamedTemporaryFile() as signers:
            for file, content in (sig, self.read(name)), (signers, f"sender {wanted}\n".encode()):
                file.write(content), file.flush()
            action = ["verify", "-f", signers.name, "-I", "sender"] if wanted else ["check-novalidate"]
            done = subprocess.run(["ssh-keygen", "-Y", *action, "-n", "file", "-s", sig.name], input=self.read("tagmanifest-sha256.txt"), capture_output=True)
        key = re.search(r"ED25519 key (SHA256:\S+)", done.stdout.decode())
        if done.returncode or not key or self.info["Signature"] != "ssh-ed25519 " + key[1]:
            self.fault(name, 0, "", "does not belong to this file, or is by another key than " + self.info["Signature"])
        return f"signed by {self.info['Signature']}" + ("" if wanted else "; whose key that is was not asked")


def main():
    args = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    args.add_argument("file"), args.add_argument("--key", help="the sender's public key, as in its .pub file")
    args = args.parse_args()
    try:
        package = Package(args.file)
        package.digests()
        who = package.signature(args.key)
        for check in package.count, package.control, package.cumulative, package.links, package.readme:
            check()
    except (OSError, EOFError, zipfile.BadZipFile, zlib.error, RuntimeError, NotImplementedError) as e:
        print(f"{args.file}: cannot be read: {e}", file=sys.stderr)
        return 2
    except (KeyError, ValueError, IndexError, TypeError, csv.Error) as e:
        print(f"{args.file}: DOES NOT HOLD: not in the package's form: {type(e).__name__}: {e}")
        return 1
    print("\n  ".join([f"{args.file}: {'DOES NOT HOLD' if package.faults else 'holds'}; {who}"] + package.faults[:50]))
    return 1 if package.faults else 0


if __name__ == "__main__":
    sys.exit(main())
