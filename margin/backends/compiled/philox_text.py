"""Draws of Philox 4x64-10 in the assembly of LLVM, as `distributions.streams` draws them.

Salmon, Moraes, Dror and Shaw, 'Parallel random numbers: as easy as 1, 2, 3', 2011. The counter of a block of four
words is its number plus one: the generator counts before it draws.
"""

from __future__ import annotations

from collections.abc import Callable

from distributions.distribution import SMALLEST_UNIFORM
from margin.backends.compiled.loops_text import LoopsText
from margin.backends.compiled.normal_quantile import normal_quantile
from margin.backends.compiled.vector_text import VectorText

MULTIPLIERS = (0xD2E7470EE14C6C93, 0xCA5A826395121157)
KEY_STEPS = (0x9E3779B97F4A7C15, 0xBB67AE8584CAA73B)
ROUNDS = 10
WORDS = 4
"""Words of 64 bits in a block."""


def _signed(word: int) -> int:
    return word - (1 << 64) if word >> 63 else word


def uniforms_function(lanes: int) -> str:
    """A function `uniforms` of keys, first block, how many times `lanes` draws, where to, and a table unused."""
    return _function("uniforms", lanes, lambda t, u: u)


def normals_function(lanes: int) -> str:
    """A function `normals` like `uniforms`: standard normal quantiles of them, by `quantile_table`."""
    return _function("normals", lanes, lambda t, u: normal_quantile(t, u, "%table"))


def _function(name: str, lanes: int, finish: Callable[[VectorText, str], str]) -> str:
    """Each turn makes the words of the next one while it finishes its own: neither has to wait for the other."""
    t = VectorText(lanes)
    t.lines.append(
        f"define internal void @{name}(i64 %k0, i64 %k1, i64 %first, i64 %many, ptr %out, ptr %table) noinline #0 {{"
    )
    t.label("entry")
    keys = [
        [t.whole("add", f"%k{i}", _signed(KEY_STEPS[i] * n % (1 << 64))) for i in (0, 1)]
        for n in range(ROUNDS)
    ]
    ahead = t.new(f"alloca {t.words}")

    def words(turn: str | int) -> None:
        blocks = lanes // WORDS
        before = t.whole("add", "%first", t.whole("mul", turn, blocks))
        drawn = [w for b in range(blocks) for w in _block(t, keys, t.whole("add", before, b + 1))]
        t.store(t.words, t.together("i64", drawn), ahead)

    def draws(turn: str) -> None:
        own = t.load(ahead, t.words)
        words(t.whole("add", turn, 1))
        t.store(t.numbers, finish(t, _uniform(t, own)), t.vector("%out", 0, turn))

    words(0)
    LoopsText(t).repeat("%many", draws)
    t.line("ret void")
    t.lines.append("}")
    return "\n".join(t.lines)


def _block(t: VectorText, keys: list[list[str]], counter: str) -> list[str]:
    """Four words from a counter, after ten rounds."""
    c = [counter, "0", "0", "0"]
    for first, second in keys:
        (high0, low0), (high1, low1) = (_product(t, c[2 * i], MULTIPLIERS[i]) for i in (0, 1))
        c = [
            t.whole("xor", t.whole("xor", high1, c[1]), first), low1,
            t.whole("xor", t.whole("xor", high0, c[3]), second), low0,
        ]  # fmt: skip
    return c


def _product(t: VectorText, word: str, multiplier: int) -> tuple[str, str]:
    """Upper and lower word of a product."""
    wide = t.new(f"mul i128 {t.new(f'zext i64 {word} to i128')}, {multiplier}")
    upper = t.new(f"lshr i128 {wide}, 64")
    return t.new(f"trunc i128 {upper} to i64"), t.new(f"trunc i128 {wide} to i64")


def _uniform(t: VectorText, words: str) -> str:
    """The upper 53 bits of each word as a number of [0, 1), 0 itself left out."""
    upper = t.new(f"uitofp {t.words} {t.on_words('and', words, t.word(-1 << 11))} to {t.numbers}")
    uniform, smallest = t.multiply(upper, t.number(2.0**-64)), t.number(SMALLEST_UNIFORM)
    return t.select(t.compare("olt", uniform, smallest), smallest, uniform)
