"""Heart Rate Measurement (0x2A37) to and from bytes.

Source: Bluetooth SIG, Heart Rate Service 1.0 (2011-07-12), section 3.1. Nothing but the wire format lives here: what a
value is worth is decided in ``beats``.
"""

from __future__ import annotations

from dataclasses import dataclass
from struct import Struct

_FLAG_16_BIT = 0x01
_FLAG_CONTACT_DETECTED = 0x02
_FLAG_CONTACT_SUPPORTED = 0x04
_FLAG_ENERGY = 0x08
_FLAG_RR = 0x10

_U16 = Struct("<H")

RR_TICKS_PER_S = 1024
"""RR intervals travel in 1/1024 s (Heart Rate Service 1.0, 3.1.1.4)."""


class PacketError(ValueError):
    """The bytes are not a Heart Rate Measurement: empty, or shorter than their flags say."""


@dataclass(frozen=True, slots=True)
class Measurement:
    """One notification of a strap, as it was sent: *reported*, not yet trusted.

    hr_bpm: heart rate in bpm, or None where a recording holds RR intervals only.
    rr_ms: RR intervals in ms, oldest first; empty when the strap sent none.
    contact: True or False when the strap can tell whether it touches skin, else None.
    energy_kj: energy expended since its last reset in kJ, or None when not sent.
    """

    hr_bpm: int | None
    rr_ms: tuple[float, ...] = ()
    contact: bool | None = None
    energy_kj: int | None = None


def decode(packet: bytes | bytearray) -> Measurement:
    """Read one notification. Reserved flag bits are ignored, as the standard asks.

    Raises PacketError when the packet is empty, cut off, or ends inside an RR interval.
    """
    size = len(packet)
    if size < 2:
        raise PacketError(f"{size} bytes: a heart rate measurement has at least 2")
    flags = packet[0]
    at = 1
    wide = bool(flags & _FLAG_16_BIT)
    needed = 1 + (2 if wide else 1) + (2 if flags & _FLAG_ENERGY else 0)
    if size < needed:
        raise PacketError(f"{size} bytes: flags 0x{flags:02x} promise at least {needed}")
    if wide:
        hr_bpm = _U16.unpack_from(packet, at)[0]
        at += 2
    else:
        hr_bpm = packet[at]
        at += 1
    contact = bool(flags & _FLAG_CONTACT_DETECTED) if flags & _FLAG_CONTACT_SUPPORTED else None
    energy_kj = None
    if flags & _FLAG_ENERGY:
        energy_kj = _U16.unpack_from(packet, at)[0]
        at += 2
    rr_ms: tuple[float, ...] = ()
    if flags & _FLAG_RR:
        if (size - at) % 2:
            raise PacketError(f"{size} bytes: the last RR interval is cut off")
        rr_ms = tuple(_U16.unpack_from(packet, i)[0] * 1000 / RR_TICKS_PER_S for i in range(at, size, 2))
    return Measurement(hr_bpm, rr_ms, contact, energy_kj)


def encode(measurement: Measurement) -> bytes:
    """Write one notification, 8 bit wide where the heart rate fits.

    RR intervals are rounded to the nearest 1/1024 s. Raises ValueError when a value does not fit its field.
    """
    if measurement.hr_bpm is None:
        raise ValueError("a notification always carries a heart rate: hr_bpm is None")
    flags = 0
    body = bytearray()
    if 0 <= measurement.hr_bpm <= 0xFF:
        body.append(measurement.hr_bpm)
    else:
        flags |= _FLAG_16_BIT
        body += _u16(measurement.hr_bpm, "hr_bpm")
    if measurement.contact is not None:
        flags |= _FLAG_CONTACT_SUPPORTED
        if measurement.contact:
            flags |= _FLAG_CONTACT_DETECTED
    if measurement.energy_kj is not None:
        flags |= _FLAG_ENERGY
        body += _u16(measurement.energy_kj, "energy_kj")
    if measurement.rr_ms:
        flags |= _FLAG_RR
        for rr_ms in measurement.rr_ms:
            body += _u16(round(rr_ms * RR_TICKS_PER_S / 1000), "rr_ms")
    return bytes([flags]) + bytes(body)


def _u16(value: int, name: str) -> bytes:
    if not 0 <= value <= 0xFFFF:
        raise ValueError(f"{name}: {value} does not fit 16 bits")
    return _U16.pack(value)
