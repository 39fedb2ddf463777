"""Uniforms of Philox 4x64-10 in the assembly of LLVM, as `distributions.streams` draws them.

Salmon, Moraes, Dror and Shaw, 'Parallel random numbers: as easy as 1, 2, 3', 2011. The counter of a block of four
words is its number plus one: the generator counts before it draws.
"""

from __future__ import annotations

from distributions.distribution import SMALLEST_UNIFORM
from margin.propagation.fused.vector_text import hexadecimal

MULTIPLIERS = (0xD2E7470EE14C6C93, 0xCA5A826395121157)
KEY_STEPS = (0x9E3779B97F4A7C15, 0xBB67AE8584CAA73B)
ROUNDS = 10


def _signed(word: int) -> int:
    return word - (1 << 64) if word >> 63 else word


def _round(turn: int, c: list[str]) -> tuple[list[str], list[str]]:
    """Lines of one round, and the four words after it."""
    lines, low, high, mixed = [], [], [], []
    for which in (0, 1):
        n = f"{turn}{which}"
        step = _signed(KEY_STEPS[which] * turn % (1 << 64))
        lines += [
            f"  %key{n} = add i64 %k{which}, {step}",
            f"  %wide{n} = zext i64 {c[2 * which]} to i128",
            f"  %product{n} = mul i128 %wide{n}, {MULTIPLIERS[which]}",
            f"  %low{n} = trunc i128 %product{n} to i64",
            f"  %shifted{n} = lshr i128 %product{n}, 64",
            f"  %high{n} = trunc i128 %shifted{n} to i64",
        ]
        low.append(f"%low{n}")
        high.append(f"%high{n}")
    for which, (upper, other) in enumerate(((high[1], c[1]), (high[0], c[3]))):
        n = f"{turn}{which}"
        lines += [f"  %x{n} = xor i64 {upper}, {other}", f"  %m{n} = xor i64 %x{n}, %key{n}"]
        mixed.append(f"%m{n}")
    return lines, [mixed[0], low[1], mixed[1], low[0]]


def _function() -> str:
    lines = [
        "define internal void @uniforms(i64 %k0, i64 %k1, i64 %first, i64 %blocks, ptr %out) {",
        "entry:",
        "  br label %head",
        "head:",
        "  %i = phi i64 [0, %entry], [%next, %head]",
        "  %before = add i64 %first, %i",
        "  %c0 = add i64 %before, 1",
    ]
    words = ["%c0", "0", "0", "0"]
    for turn in range(ROUNDS):
        added, words = _round(turn, words)
        lines += added
    lines.append("  %at = mul i64 %i, 4")
    smallest = hexadecimal(SMALLEST_UNIFORM)
    for place, word in enumerate(words):
        lines += [
            f"  %bits{place} = lshr i64 {word}, 11",
            f"  %number{place} = sitofp i64 %bits{place} to double",
            f"  %uniform{place} = fmul double %number{place}, {hexadecimal(2.0**-53)}",
            f"  %zero{place} = fcmp olt double %uniform{place}, {smallest}",
            f"  %inside{place} = select i1 %zero{place}, double {smallest}, double %uniform{place}",
            f"  %place{place} = add i64 %at, {place}",
            f"  %address{place} = getelementptr double, ptr %out, i64 %place{place}",
            f"  store double %inside{place}, ptr %address{place}, align 8",
        ]
    lines += [
        "  %next = add i64 %i, 1",
        "  %over = icmp eq i64 %next, %blocks",
        "  br i1 %over, label %done, label %head",
        "done:",
        "  ret void",
        "}",
    ]
    return "\n".join(lines)


FUNCTION = _function()
