"""Recordings and test tones: level, hum, noise, distortion, tape speed. Arrays in, plain values out."""
