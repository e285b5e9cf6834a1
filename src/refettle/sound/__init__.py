"""Recordings and test tones: level, hum, noise, distortion, tape speed. Arrays in, plain values out.

    from refettle.sound import FileSource, read_sound

    with open("recording.wav", "rb") as file:
        reading = read_sound(FileSource(file), mains_hz=50)

Levels are in dBFS where a sine at full scale is 0 (AES17). Every figure has its uncertainty, or says why it is
withheld.
"""

from refettle.sound.figures import Figure, SoundError, Stopped, Stretch
from refettle.sound.reading import ChannelReading, SoundReading, read_sound
from refettle.sound.source import ArraySource, FileSource, Source
from refettle.sound.tones import make_tones

__all__ = [
    "ArraySource",
    "ChannelReading",
    "Figure",
    "FileSource",
    "SoundError",
    "SoundReading",
    "Source",
    "Stopped",
    "Stretch",
    "make_tones",
    "read_sound",
]
