"""Scores read by other libraries: the schema of MusicXML 4.0 by lxml, pitches and durations by music21, MIDI by mido.

Takes a folder with N.musicxml, N.mid and N.json: {"tuning": Hz, "parts": [{"name", "notes": [[Hz, quarter, quarters]]}]}.
Prints one line; any difference ends it with status 1.
"""

import importlib.util
import json
import math
import sys
from pathlib import Path

import mido
import music21
from lxml import etree

# MusicXML, half a cent; MIDI, one cent: what each format is held to.
XML_CENTS, MIDI_CENTS = 0.5, 1.0

# The schema takes these two namespaces from elsewhere; their attributes as W3C's recommendations name them.
ELSEWHERE = {
    "xml.xsd": (
        "http://www.w3.org/XML/1998/namespace",
        '<xs:attribute name="lang" type="xs:language"/>'
        '<xs:attribute name="space"><xs:simpleType><xs:restriction base="xs:NCName"><xs:enumeration value="default"/>'
        '<xs:enumeration value="preserve"/></xs:restriction></xs:simpleType></xs:attribute>',
    ),
    "xlink.xsd": (
        "http://www.w3.org/1999/xlink",
        "".join(f'<xs:attribute name="{name}" type="xs:string"/>' for name in ("href", "type", "role", "title", "show", "actuate")),
    ),
}


class Elsewhere(etree.Resolver):
    def resolve(self, url, public_id, context):
        name = url.rsplit("/", 1)[-1]
        if name not in ELSEWHERE:
            return None
        namespace, attributes = ELSEWHERE[name]
        schema = f'<xs:schema xmlns:xs="http://www.w3.org/2001/XMLSchema" targetNamespace="{namespace}">{attributes}</xs:schema>'
        return self.resolve_string(schema, context)


def schema():
    package = Path(importlib.util.find_spec("musicxml").origin).parent
    parser = etree.XMLParser(no_network=True)
    parser.resolvers.add(Elsewhere())
    return etree.XMLSchema(etree.parse(package / "generate_classes" / "musicxml_4_0.xsd", parser))


def cents(hz, other):
    return 1200 * math.log2(hz / other)


def by_music21(path, tuning):
    """Each part's name and its notes as they sound. Tied notes are told by their ties: with a courtesy accidental music21 holds
    equal pitches for different ones."""
    score = music21.converter.parseFile(path, format="musicxml", forceSource=True)
    parts = []
    for part in score.parts:
        name = part.partName
        part = part.toSoundingPitch().flatten().stripTies(matchByPitch=False)
        notes = [[n.pitch.frequency * tuning / 440, float(n.offset), float(n.quarterLength)] for n in part.notes]
        parts.append({"name": name, "notes": notes})
    return parts


def by_mido(path):
    """Each track but the first, as it sounds on an instrument tuned to 440 Hz."""
    file = mido.MidiFile(path, clip=False)
    parts = []
    for track in file.tracks[1:]:
        at, bend, span, notes = 0, 0, None, []
        parameter, name = {}, None
        for message in track:
            at += message.time
            quarter = at / file.ticks_per_beat
            if message.type == "track_name":
                name = message.name.encode("latin1").decode()
            elif message.type == "control_change":
                parameter[message.control] = message.value
                if message.control == 6 and (parameter[101], parameter[100]) == (0, 0):
                    span = message.value
            elif message.type == "pitchwheel":
                bend = message.pitch / 8192
            elif message.type == "note_on" and message.velocity > 0:
                notes.append([440 * 2 ** ((message.note + bend * span - 69) / 12), quarter, None])
            elif message.type in ("note_off", "note_on"):
                notes[-1][2] = quarter - notes[-1][1]
        parts.append({"name": name, "notes": notes})
    return parts


def compare(what, read, meant, limit, worst):
    assert [part["name"].lower() for part in read] == [part["name"] for part in meant], f"{what}: {read}"
    for part, other in zip(read, meant):
        where = f"{what}, {other['name']}"
        assert len(part["notes"]) == len(other["notes"]), f"{where}: {part['notes']} for {other['notes']}"
        for (hz, at, lasts), (meant_hz, meant_at, meant_lasts) in zip(part["notes"], other["notes"]):
            off = abs(cents(hz, meant_hz))
            assert off < limit, f"{where}: {hz} Hz for {meant_hz} Hz"
            assert (at, lasts) == (meant_at, meant_lasts), f"{where}: at {at} for {lasts}, not at {meant_at} for {meant_lasts}"
            worst = max(worst, off)
    return worst


def main(folder):
    rules, worst, notes = schema(), {"xml": 0, "midi": 0}, 0
    paths = sorted(folder.glob("*.json"))
    for path in paths:
        meant = json.loads(path.read_text())
        document = path.with_suffix(".musicxml")
        rules.assertValid(etree.parse(document))
        read = by_music21(document, meant["tuning"])
        worst["xml"] = compare(document, read, meant["parts"], XML_CENTS, worst["xml"])
        midi = path.with_suffix(".mid")
        worst["midi"] = compare(midi, by_mido(midi), meant["parts"], MIDI_CENTS, worst["midi"])
        notes += sum(len(part["notes"]) for part in meant["parts"])
    print(f"{len(paths)} scores, {notes} notes: at most {worst['xml']:.4f} cents off in MusicXML, {worst['midi']:.4f} in MIDI")


try:
    main(Path(sys.argv[1]))
except (AssertionError, etree.DocumentInvalid) as why:
    sys.exit(f"differs: {why}")
