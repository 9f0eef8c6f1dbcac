"""Judges one HL7 v2 message: hl7apy 1.3.5 strict, and what hl7apy is known to let through.

hl7apy does not look at OBX-5 against OBX-2, at field lengths, at stray escape characters, at
segments that its structure does not know (it drops them), or at their order; each has its own
check here. Sources: HL7 v2.5.1 chapters 2, 2A and 7 as those checks name them.
"""
import csv
import os
import re
import tempfile
from decimal import Decimal

import hl7
import hl7apy
from hl7apy.consts import VALIDATION_LEVEL
from hl7apy.parser import parse_message

NUMBER = re.compile(r"[+-]?\d+(\.\d+)?")  # 2A, NM
ESCAPES = re.compile(r"\\(F|S|T|R|E|\.br)\\")  # 2.7, those that we use
COMPARATORS = {"", ">", "<", ">=", "<=", "=", "<>"}  # 2A, SN.1
# Table 0396 in the shapes that we use: tables of HL7, LOINC, UCUM, SNOMED CT, local ones. `L` is also a flag.
SYSTEM = re.compile(r"HL7\d{4}|LN|UCUM|SCT|IHELAW|99[A-Z0-9]{1,8}|L")
STATUS = {"F", "C", "W", "X", "P", "R"}  # table 0085, those that we send
# Table 0078, those that we send: A is for what is not numeric, L and H are for numbers.
FLAGS = {"CE": {"", "N", "A"}, "CWE": {"", "N", "A"}, "ST": {"", "N", "A", "L", "H"}, "DT": {""}, "": {""}}
NUMERIC = {"", "N", "L", "H"}
# Table 0396 of a version as the library has it, and what is used with every version although it came later.
LATER = {"UCUM", "SCT"}
# Coding systems that the library's table 0396 does not list, CWE in its table 0125, and UTF-8 before
# 2.5, which is by agreement with the receiver.
KNOWN_WARNING = re.compile(
    r"Value (HL7\d{4}|UCUM|SCT|IHELAW|99\w+|L) not in table HL70396|Value U not in table HL70369|Value CWE not in table HL70125"
    r"|Value UNICODE UTF-8 not in table HL70211"
)
LENGTHS = {("MSH", 10): 20, ("OBR", 2): 22, ("OBR", 3): 22, ("OBX", 18): 22}
# What names control material: LOINC has no code for it, these are our own.
SCALES = {}
MATERIAL = {"CONTROL-LEVEL": "CE", "CONTROL-LOT": "ST", "CONTROL-EXPIRY": "DT"}


def fields(segment):
    """Fields by their HL7 number; MSH-1 is the separator itself."""
    parts = segment.split("|")
    return ["MSH", "|"] + parts[1:] if parts[0] == "MSH" else parts


def field(segment, number):
    parts = fields(segment)
    return parts[number] if number < len(parts) else ""


def faults(raw, charset="utf-8"):
    """Everything wrong with a message given as bytes; empty when it is good."""
    found = []
    if any(b < 0x20 and b != 0x0D for b in raw):
        found.append("a control byte other than CR")
    if not raw.endswith(b"\r"):
        found.append("the last segment is not ended by CR")
    text = raw.decode(charset)
    segments = [s for s in text.split("\r") if s]
    if any(ord(c) > 126 for c in text) != bool(field(segments[0], 18)):
        found.append("MSH-18 is there without need, or needed and not there")
    if "\\" in ESCAPES.sub("", text[9:]):
        found.append("a stray escape character")
    for segment in segments:
        found += segment_faults(segment)
    found += role_faults(segments)
    found += nesting_faults(segments)
    return found + list(structure_faults(text, segments))


def role_faults(segments):
    """Control material (table 0369 `Q`, table 0487 `QC3`) is told from a patient's in one place only."""
    named = {s[:3]: s for s in segments}
    spm, obr = named.get("SPM", ""), named.get("OBR", "")
    role = field(spm, 11).split("^")[0]
    control = role == "Q" or "^^^^^^Q&" in field(obr, 15)
    if control and "PID" in named:
        yield "control material with a patient"
    # IHE's analyzer profile has a role for a specimen of which no order is known.
    unknown = role == "U" and "|LAB-29^IHE" in segments[0]
    if spm and role not in ("P", "Q") and not unknown:
        yield f"SPM-11: {role!r}"
    if spm and (field(spm, 4).startswith("QC3") != control):
        yield "SPM-4 and SPM-11 differ"
    yield from status_faults([field(s, 11) for s in segments if s[:3] == "OBX"], field(obr, 25))
    yield from material_faults(segments, control)


def status_faults(told, report):
    """Table 0123 against table 0085: a report is corrected, or as final as the least of its results."""
    if report not in ("F", "C", "P", "R"):
        yield f"OBR-25: {report!r}"
    if "C" in told and report != "C":
        yield "a corrected result in a report that is none"
    if "W" in told and report == "F":
        yield "a withdrawn result in a final report"
    for early in ("P", "R"):
        if early in told and report not in (early, "C"):
            yield f"a result that is {early} in a report that is {report}"


def material_faults(segments, control):
    """Level and lot of control material stand in coded fields: INV by specimen, OBX by order."""
    told = [s for s in segments if s[:3] == "OBX" and field(s, 3).split("^")[0] in MATERIAL]
    named = [s for s in segments if s[:3] == "INV"]
    if not control:
        if told or named:
            yield "control material named in a patient's message"
        return
    if field(segments[0], 9).startswith("OUL"):
        if len(named) != 1 or told or not field(named[0], 16) or field(named[0], 3) != "CO^Control^HL70384":
            yield f"INV of control material: {named}"
        return
    kinds = {field(s, 3).split("^")[0]: field(s, 2) for s in told}
    if not {"CONTROL-LEVEL", "CONTROL-LOT"} <= set(kinds) or any(MATERIAL[c] != k for c, k in kinds.items()):
        yield f"control material is not named: {kinds}"


def nesting_faults(segments):
    """Every part of every field against hl7apy's trees of the version: as deep as its type goes, and names of
    coding systems where the type has room for one and nowhere else."""
    library = hl7apy.load_library(field(segments[0], 12).split("^")[0])
    for segment in segments:
        name = segment[:3]
        known = library.SEGMENTS.get(name, ("sequence", ()))
        for number, (_, tree, *_) in enumerate(known[1], 1):
            if name == "MSH" and number < 3:
                continue
            if name == "OBX" and number == 5:
                kind = library.DATATYPES_STRUCTS.get(field(segment, 2))
                tree = ("sequence", kind) if kind else ("leaf", None, "ST", "OBSERVATION_VALUE")
            for repeat in field(segment, number).split("~"):
                yield from part_faults(f"{name}-{number}", repeat, tree, "^&", systems(library))


def systems(library):
    """The coding systems of a version. 2.3.1 has no table of that number: what is wrong there, SYSTEM says."""
    table = library.TABLES.get("HL70396")
    return {s for s in table[1] if not s.endswith("nnnn")} | LATER if table else set()


def part_faults(where, text, tree, separators, known):
    if tree[0] != "sequence":
        if any(s in text for s in "^&"):
            yield f"{where}: parts in a type that has none: {text!r}"
        of_system = "CODING_SYSTEM" in tree[3] and "VERSION" not in tree[3]
        fits = bool(SYSTEM.fullmatch(text)) or (of_system and text in known)
        if text and of_system != fits and (of_system or text != "L"):
            yield f"{where}: {text!r} as {tree[3]}"
        return
    if not separators:
        yield from part_faults(where, text, tree[1][0][1], separators, known)
        return
    parts = text.split(separators[0])
    if len(parts) > len(tree[1]):
        yield f"{where}: more parts than its type has: {text!r}"
    for number, (part, (_, child, *_)) in enumerate(zip(parts, tree[1]), 1):
        yield from part_faults(f"{where}.{number}", part, child, separators[1:], known)


def segment_faults(segment):
    name = segment[:3]
    if segment.endswith("|"):
        yield f"{name}: a trailing separator"
    if any(part.endswith("^") for part in fields(segment)[3:]):
        yield f"{name}: a trailing component separator"
    for (of, number), most in LENGTHS.items():
        if of == name and any(len(repeat) > most for repeat in field(segment, number).split("~")):
            yield f"{name}-{number}: longer than {most}"
    if name == "OBR":
        yield from (f"OBR-{n} is empty" for n in (3, 4, 7, 22, 25) if not field(segment, n))
    if name == "OBX":
        yield from obx_faults(segment)


def obx_faults(segment):
    kind, value, unit = field(segment, 2), field(segment, 5), field(segment, 6)
    where = f"OBX {field(segment, 1)}"
    if field(segment, 11) not in STATUS:
        yield f"{where}: status {field(segment, 11)!r}"
    # `^2^+` is a grade that travels as SN.
    allowed = FLAGS["CE"] if kind == "SN" and value.endswith("^+") else FLAGS.get(kind, NUMERIC)
    if not set(field(segment, 8).split("~")) <= allowed:
        yield f"{where}: flag {field(segment, 8)!r} on {kind}"
    if kind in ("CE", "CWE") and not value and scale(field(segment, 3)) == "Qn":
        yield f"{where}: a number that was not read as {kind}"
    if (field(segment, 11) == "X" and value) or (field(segment, 11) in ("F", "C", "P", "R") and not value):
        yield f"{where}: a value and X, or neither"
    if value and not kind:
        yield f"{where}: OBX-5 without OBX-2"
    if kind in ("CE", "CWE") and unit:
        yield f"{where}: a unit beside a coded value"
    if kind in ("CE", "CWE") and value and (value.count("^") not in (2, 5) or not value.split("^")[2]):
        yield f"{where}: a code needs text and system: {value!r}"
    if kind == "NM" and value and not NUMBER.fullmatch(value):
        yield f"{where}: {value!r} is no number"
    if kind == "SN" and value:
        comparator, number, separator, second = (value.split("^") + ["", "", ""])[:4]
        pair = separator in ("", "+") and not second
        if separator == "-" and not comparator and NUMBER.fullmatch(second):
            pair = Decimal(number) < Decimal(second)
        if comparator not in COMPARATORS or not NUMBER.fullmatch(number) or not pair:
            yield f"{where}: {value!r} is no structured number"


def scale(name):
    """The scale of a LOINC code, as the table of codes has it: Qn are numbers."""
    if not SCALES:
        with open(os.path.join(os.path.dirname(__file__), "../../crates/normalize/src/codes/loinc.csv"),
                  encoding="utf-8") as file:
            for row in csv.DictReader(line for line in file if not line.startswith("#")):
                SCALES[row["code"]] = row["scale"]
    return SCALES.get(name.split("^")[0])


def structure_faults(text, segments):
    names = [s[:3] for s in segments]
    plain = hl7.parse(text)
    if [str(s[0]) for s in plain] != names:
        yield "hl7 sees other segments"
    if str(plain.segment("MSH")[10]) != field(segments[0], 10):
        yield "hl7 sees another control id"
    try:
        message = parse_message(text, validation_level=VALIDATION_LEVEL.STRICT)
    except Exception as error:  # whatever it says, the message failed
        yield f"hl7apy: {type(error).__name__}: {error}"
        return
    if [s[:3] for s in message.to_er7().split("\r") if s] != names:
        yield "hl7apy: segments dropped or out of order"
    with tempfile.TemporaryDirectory() as folder:
        report = os.path.join(folder, "report")
        try:
            message.validate(report_file=report)
        except Exception:
            pass  # the report has every error, the exception only the first
        with open(report, encoding="utf-8") as lines:
            for line in lines:
                if line.strip() and not KNOWN_WARNING.search(line):
                    yield f"hl7apy: {line.strip()}"
