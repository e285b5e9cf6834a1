"""What oscilloscopes, meters and sound cards save, read into arrays. Bytes in, plain values out."""

from refettle.captures.model import Capture, CaptureError, CaptureStopped, Channel, Choices
from refettle.captures.reading import read_capture

__all__ = ["Capture", "CaptureError", "CaptureStopped", "Channel", "Choices", "read_capture"]
