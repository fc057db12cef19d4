"""ACPI TABLE: tells the guest's kernel of a GPIO chip whose registers are a piece of ordinary memory.

In:    the address of memory that the kernel was told to leave alone.
Out:   a secondary ACPI table (SSDT) with one device that the driver gpio-amdpt takes for its own.
Never: pretends to be more: such a chip has no pins, only registers that keep what was written.

Why: gpio-sim puts a line back to its pull when it is freed. The drivers of real chips do not, and what
a killed program leaves behind is exactly the question. gpio-amdpt is in Debian's kernel, keeps no state
of its own beside the registers, and leaves a line's level and direction alone when it is freed.

Sources: ACPI specification 6.5: 5.2.6 (table header), 5.2.11.2 (SSDT), 6.4.3.4 (32-bit fixed memory
descriptor), 20.2 (AML grammar). Linux, drivers/gpio/gpio-amdpt.c, for the id, the registers and the 24 lines.
"""

from __future__ import annotations

import struct

HARDWARE_ID = "AMDIF031"
LINES = 24
BYTES = 0x1000
"""Size of the register window; the driver uses the first 48 bytes."""

_SCOPE, _DEVICE, _NAME, _BUFFER, _STRING, _BYTE = b"\x10", b"\x5b\x82", b"\x08", b"\x11", b"\x0d", b"\x0a"


def table(address: int) -> bytes:
    """The whole table, with its checksum."""
    memory = struct.pack("<BHBII", 0x86, 9, 1, address, BYTES)  # 32-bit fixed memory, read and write
    resources = memory + b"\x79\x00"  # the end tag
    crs = _package(_BUFFER, _BYTE + bytes([len(resources)]) + resources)
    device = _package(
        _DEVICE,
        b"GPIO"
        + (_NAME + b"_HID" + _STRING + HARDWARE_ID.encode() + b"\0")
        + (_NAME + b"_UID" + b"\x00")
        + (_NAME + b"_CRS" + crs),
    )
    body = _package(_SCOPE, b"\\_SB_" + device)
    header = struct.pack(
        "<4sIBB6s8sI4sI", b"SSDT", 36 + len(body), 2, 0, b"BENCH ", b"KEEPCHIP", 1, b"NONE", 1
    )
    whole = bytearray(header + body)
    whole[9] = -sum(whole) % 256
    return bytes(whole)


def _package(opcode: bytes, content: bytes) -> bytes:
    """``opcode``, the package's length (which counts its own bytes), ``content``."""
    if len(content) + 1 <= 63:
        return opcode + bytes([len(content) + 1]) + content
    length = len(content) + 2
    return opcode + bytes([0x40 | length & 0x0F, length >> 4]) + content
