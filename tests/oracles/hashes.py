#!/usr/bin/env python3
"""A second implementation of the two small mixing functions that are our own, to check them by.

    python3 tests/oracles/hashes.py

Prints the first SplitMix64 outputs for the seed used in daemon/core/src/fit/draw.rs and the 64-bit
FNV-1a hashes used in daemon/store/src/apply/arrival.rs. Standard library only.
"""

MASK = (1 << 64) - 1


def splitmix64(seed, count):
    state = seed
    for _ in range(count):
        state = (state + 0x9E3779B97F4A7C15) & MASK
        z = state
        z = ((z ^ (z >> 30)) * 0xBF58476D1CE4E5B9) & MASK
        z = ((z ^ (z >> 27)) * 0x94D049BB133111EB) & MASK
        yield z ^ (z >> 31)


def fnv1a(data):
    value = 0xCBF29CE484222325
    for byte in data:
        value = ((value ^ byte) * 0x100000001B3) & MASK
    return value


if __name__ == "__main__":
    print("splitmix64(1234567):", *list(splitmix64(1234567, 3)))
    for text in (b"", b"a", b"foobar"):
        print(f"fnv1a({text!r}): {fnv1a(text):#018x}")
