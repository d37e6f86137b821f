"""Teaching the network of `castlab.scoring.judging` by gradient descent; the library itself only runs it forward.

Rays share their weights, and what they say is pooled in ways that turning the circle does not change, so few thousand
numbers do and no turned copies are needed. Written out in numpy: it is small, and nothing heavier need be installed.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from castlab.scoring.judging import Network

HIDDEN, POOLED = 32, 48
_SIZE_SCALE = 0.1
"""An error of this much in the logarithm of the radius costs as much as half a nat of doubt."""


def blank(channels: int, measures: int, rng: np.random.Generator) -> Network:
    """A network that knows nothing yet."""

    def weights(*shape: int) -> np.ndarray:
        return rng.normal(0, np.sqrt(2 / np.prod(shape[:-1])), shape).astype(np.float32)

    return Network(
        weights(3, channels, HIDDEN), np.zeros(HIDDEN, np.float32),
        weights(3, HIDDEN, HIDDEN), np.zeros(HIDDEN, np.float32),
        weights(4 * HIDDEN + measures, POOLED), np.zeros(POOLED, np.float32),
        0.1 * weights(POOLED, 2), np.zeros(2, np.float32),
    )  # fmt: skip


class Examples(NamedTuple):
    """What is shown of circles (n), and what is right.

    `view` holds channels of light, outward slope, sideways slope and claims; `quality` from 0 to 1; `size` is what the
    logarithm of the radius lacks, where `sized`; `weight` is what each counts for.
    """

    view: np.ndarray
    measures: np.ndarray
    quality: np.ndarray
    size: np.ndarray
    sized: np.ndarray
    weight: np.ndarray

    def take(self, some: np.ndarray) -> Examples:
        """Some of them."""
        return Examples(*(part[some] for part in self))


def _steps(net: Network, shown: Examples, far: bool) -> tuple[float, list[np.ndarray]]:
    """Loss and slopes of the loss along every number of the network, for one batch."""
    view, measures, quality, size, sized, weight = shown
    n = len(view)
    one = net.rays(view, net.first, net.first_offset)
    two = net.rays(one, net.second, net.second_offset)
    pooled, wave = net.pool(two)
    joined = np.concatenate([pooled, measures], axis=1)
    three = np.maximum(joined @ net.third + net.third_offset, 0)
    out = three @ net.last + net.last_offset
    chance = 1 / (1 + np.exp(-np.clip(out[:, 0], -30, 30)))
    wrong = (out[:, 1] - size) / _SIZE_SCALE * sized
    held = np.clip(wrong, -2, 2)
    loss = -np.mean(weight * (quality * np.log(chance + 1e-7) + (1 - quality) * np.log(1 - chance + 1e-7)))
    loss += np.mean(weight * held * (wrong - 0.5 * held if far else 0.5 * held))
    slope = held if far else np.where(np.abs(wrong) < 2, wrong, 0)
    d_out = np.column_stack([chance - quality, slope / _SIZE_SCALE]) * weight[:, None] / n
    d_three = (d_out @ net.last.T) * (three > 0)
    d_joined = d_three @ net.third.T
    hidden = two.shape[2]
    d_mean, d_most, d_once, d_twice = np.split(d_joined[:, : 4 * hidden], 4, axis=1)
    rays = two.shape[1]
    d_two = np.repeat(d_mean[:, None] / rays, rays, axis=1)
    most = two.argmax(axis=1)
    np.add.at(d_two, (np.arange(n)[:, None], most, np.arange(hidden)), d_most)
    for order, d_size in ((1, d_once), (2, d_twice)):
        cos, sin, amount = wave[order]
        way = 2 * np.pi * order * np.arange(rays) / rays
        d_cos, d_sin = d_size * cos / amount / rays, d_size * sin / amount / rays
        d_two += d_cos[:, None] * np.cos(way)[None, :, None] + d_sin[:, None] * np.sin(way)[None, :, None]
    d_two = d_two.astype(np.float32) * (two > 0)
    d_one, d_second = _back(d_two, one, net.second)
    d_one *= one > 0
    _, d_first = _back(d_one, view, net.first, inward=False)
    return float(loss), [
        d_first, d_one.sum(axis=(0, 1)), d_second, d_two.sum(axis=(0, 1)),
        joined.T @ d_three, d_three.sum(axis=0), three.T @ d_out, d_out.sum(axis=0),
    ]  # fmt: skip


def _back(
    slope: np.ndarray, given: np.ndarray, weights: np.ndarray, inward: bool = True
) -> tuple[np.ndarray, np.ndarray]:
    """Slopes along what a layer of rays was given, and along its weights."""
    flat = given.reshape(-1, given.shape[2])
    along = []
    back = np.zeros_like(given) if inward else given
    for place, turn in enumerate((1, 0, -1)):
        turned = np.roll(slope, -turn, axis=1)
        along.append(flat.T @ turned.reshape(-1, slope.shape[2]))
        if inward:
            back += turned @ weights[place].T
    return back, np.stack(along)


def teach(
    net: Network,
    shown: Examples,
    some: np.ndarray,
    *,
    far: bool,
    rounds: int,
    rate: float,
    rng: np.random.Generator,
    light: int,
    batch: int = 256,
) -> Network:
    """The network after `rounds` times through `some` of the examples (Adam, falling rate, views mirrored at random).

    `light` is how many channels of the views are light; with `far` sizes that are far off still pull.
    """
    numbers = [part.copy() for part in net]
    first = [np.zeros_like(part) for part in numbers]
    second = [np.zeros_like(part) for part in numbers]
    done, total = 0, rounds * (len(some) // batch)
    for turn in range(rounds):
        order, losses = rng.permutation(some), []
        for start in range(0, len(some) - batch + 1, batch):
            now_shown = shown.take(np.sort(order[start : start + batch]))
            seen = now_shown.view.astype(np.float32)
            if rng.random() < 0.5:
                seen = np.ascontiguousarray(seen[:, ::-1])
                seen[:, :, 2 * light : 3 * light] *= -1
            seen[rng.random(batch) < 0.3, :, 3 * light :] = 0
            loss, slopes = _steps(Network(*numbers), now_shown._replace(view=seen), far)
            losses.append(loss)
            done += 1
            now = rate * 0.5 * (1 + np.cos(np.pi * done / total)) * min(1, done / 200)
            for part, slope, one, two in zip(numbers, slopes, first, second, strict=True):
                one += 0.1 * (slope - one)
                two += 0.001 * (slope**2 - two)
                step = one / (1 - 0.9**done) / (np.sqrt(two / (1 - 0.999**done)) + 1e-8)
                part -= (now * (step + 1e-3 * part)).astype(np.float32)
        print(f"round {turn + 1} of {rounds}: loss {np.mean(losses):.4f}", flush=True)
    return Network(*numbers)
