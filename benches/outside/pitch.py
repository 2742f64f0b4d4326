"""How often the fundamental is right, by the study of spectra and by librosa's pYIN, on sampled instruments.

Renders every note of an instrument's range with fluidsynth, dry, and asks for the fundamental while it sounds.

    sudo apt-get install fluidsynth fluid-soundfont-gm
    pip install librosa mido soundfile
    cargo build --release -p tenterhook-spectra --example tell
    python benches/outside/pitch.py [--pyin] [--every N] [--only NAME]
"""

import argparse
import json
import os
import subprocess
import tempfile

import mido
import numpy as np
import soundfile

TELL = os.path.join(os.environ.get("CARGO_TARGET_DIR", "target"), "release/examples/tell")
SOUNDS = "/usr/share/sounds/sf2/FluidR3_GM.sf2"
# General MIDI programs counted from 0, and handbook ranges as MIDI notes. The violin only as far as there are samples.
INSTRUMENTS = {
    "choir": (52, 40, 81), "voice": (53, 40, 81), "recorder": (74, 65, 91), "cello": (42, 36, 84),
    "viola": (41, 48, 88), "violin": (40, 55, 103), "flute": (73, 62, 93),
}
# The note sounds from 0.1 s to 1.6 s; its first 150 ms and its last 50 ms are left out.
SOUNDING = (0.25, 1.55)
# A fundamental is right within so many cents: nearer to this note than to any other.
RIGHT = 50


def render(folder, program, note):
    track = mido.MidiTrack([
        mido.Message("control_change", control=91, value=0), mido.Message("control_change", control=93, value=0),
        mido.Message("program_change", program=program), mido.Message("note_on", note=note, velocity=90, time=96),
        mido.Message("note_off", note=note, time=1440), mido.MetaMessage("end_of_track", time=480),
    ])
    score, sound = os.path.join(folder, "note.mid"), os.path.join(folder, "note.wav")
    mido.MidiFile(ticks_per_beat=480, tracks=[track]).save(score)
    dry = ["-ni", "-q", "-R", "0", "-C", "0", "-g", "0.6", "-r", "48000", "-F", sound, SOUNDS, score]
    subprocess.run(["fluidsynth", *dry], check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    return sound


def is_right(hz, note):
    return bool(hz) and abs(1200 * np.log2(hz / (440 * 2 ** ((note - 69) / 12)))) < RIGHT


def by_pyin(sound, note):
    import librosa
    samples, rate = soundfile.read(sound)
    samples = samples.mean(axis=1) if samples.ndim > 1 else samples
    found, _, _ = librosa.pyin(samples, fmin=40, fmax=4200, sr=rate, frame_length=4096, hop_length=480)
    times = np.arange(len(found)) * 480 / rate
    inside = (times >= SOUNDING[0]) & (times <= SOUNDING[1])
    return np.mean([is_right(0 if np.isnan(hz) else hz, note) for hz in found[inside]])


def main():
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--pyin", action="store_true", help="asks pYIN too, which takes long")
    asked.add_argument("--every", type=int, default=1, help="takes every n-th note only")
    asked.add_argument("--only", choices=INSTRUMENTS, help="takes this instrument only")
    asked = asked.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        for name, (program, low, high) in INSTRUMENTS.items():
            if asked.only not in (None, name):
                continue
            frames, moments, pyin = [], [], []
            for note in range(low, high + 1, asked.every):
                sound = render(folder, program, note)
                if np.abs(soundfile.read(sound)[0]).max() < 1e-4:
                    continue
                told = json.loads(subprocess.run([TELL, sound], check=True, capture_output=True, text=True).stdout)
                inside = [hz for time, hz, *_ in told["pitch"] if SOUNDING[0] <= time <= SOUNDING[1]]
                frames.append(np.mean([is_right(hz, note) for hz in inside]))
                moments.append(is_right(told["fundamental"], note))
                if asked.pyin:
                    pyin.append(by_pyin(sound, note))
            beside = f", pYIN {100 * np.mean(pyin):5.1f} %" if pyin else ""
            shares = f"frames {100 * np.mean(frames):5.1f} %, moment {100 * np.mean(moments):5.1f} %"
            print(f"{name:9} {len(frames):3} notes: {shares}{beside}", flush=True)


if __name__ == "__main__":
    main()
