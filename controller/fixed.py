"""Integer arithmetic: one rounding rule (half away from zero), exact products, saturation, CRC-32.

Assumptions: values keep the limits of constants.py. Invariant: no intermediate reaches 2**30.
"""

from .constants import LIFT_LIMIT


def clamp(value: int, least: int, greatest: int) -> int:
    """The value, cut to least..greatest."""
    if value < least:
        return least
    if value > greatest:
        return greatest
    return value


def saturate(value: int) -> int:
    """A height or lift in 1/16 mm, cut to +-LIFT_LIMIT."""
    return clamp(value, -LIFT_LIMIT, LIFT_LIMIT)


def mul_q12(value: int, factor: int) -> int:
    """value * factor / 4096, rounded half away from zero.

    |value| < 2**22 and |value| * factor + 2048 < 2**38: the product is split at bit 8 of the factor,
    so that neither half reaches 2**30, nor does their sum, which is (|value| * factor + 2048) >> 8.
    """
    size = -value if value < 0 else value
    result = (size * (factor >> 8) + ((size * (factor & 255) + 2048) >> 8)) >> 4
    return -result if value < 0 else result


def mul_div(value: int, numerator: int, denominator: int) -> int:
    """value * numerator / denominator, rounded half away from zero.

    |value| <= 65535, 0 <= numerator <= denominator <= 65535, denominator > 0. The product is split
    at bit 8 of the value: high <= 255 * 65535, the quotient <= 255, and rest < 511 * 65535 < 2**25.
    """
    size = -value if value < 0 else value
    high = (size >> 8) * numerator
    quotient = high // denominator
    rest = (high - quotient * denominator) * 256 + (size & 255) * numerator
    result = quotient * 256 + (rest + (denominator >> 1)) // denominator
    return -result if value < 0 else result


def round_div(value: int, divisor: int) -> int:
    """value / divisor, rounded half away from zero; divisor > 0, |value| + divisor / 2 < 2**30."""
    size = -value if value < 0 else value
    result = (size + (divisor >> 1)) // divisor
    return -result if value < 0 else result


def interpolate(axis: list[int], values: list[int], points: int, at: int) -> int:
    """The value of a broken line at a place; the end values are held outside.

    axis rises strictly; its span and the steps of values are at most 65535; points >= 1.
    """
    if at <= axis[0]:
        return values[0]
    for i in range(1, points):
        if at <= axis[i]:
            low = axis[i - 1]
            return values[i - 1] + mul_div(values[i] - values[i - 1], at - low, axis[i] - low)
    return values[points - 1]


# What four bits of the register become, polynomial 0xEDB88320.
_CRC_OF_4_BITS = (
    0x00000000,
    0x1DB71064,
    0x3B6E20C8,
    0x26D930AC,
    0x76DC4190,
    0x6B6B51F4,
    0x4DB26158,
    0x5005713C,
    0xEDB88320,
    0xF00F9344,
    0xD6D6A3E8,
    0xCB61B38C,
    0x9B64C2B0,
    0x86D3D2D4,
    0xA00AE278,
    0xBDBDF21C,
)


def crc32(crc: int, byte: int) -> int:
    """CRC-32/ISO-HDLC, register carried on by one byte; start at 0xFFFFFFFF, invert at the end."""
    crc ^= byte
    crc = (crc >> 4) ^ _CRC_OF_4_BITS[crc & 15]
    return (crc >> 4) ^ _CRC_OF_4_BITS[crc & 15]


def crc32_word(crc: int, word: int) -> int:
    """The CRC register carried on by one signed 32-bit word, little-endian."""
    for shift in range(0, 32, 8):
        crc = crc32(crc, (word >> shift) & 255)
    return crc
