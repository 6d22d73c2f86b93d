"""The decoder of a Whisper model in numpy: many short hypotheses on one utterance, one thread.

CTranslate2's public API decodes one string at a time or gives no scores of strings it did not choose;
scoring a grammar through it costs several times more (`_publicapi.py`, kept as the check and the way out).
The prompt is run once and shared by all hypotheses; each keeps only the keys and values of its own tokens.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capture.speech._modelfile import ModelFile
from capture.speech._search import Scores

Floats = NDArray[np.float32]

COMMON_TOKENS = 6144
"""The first tokens of the vocabulary are the most frequent: they make up the short list of the search."""

_NEVER = np.float32(-1e9)
_WITH_QUERY = ("self_attention/linear_0", "attention/linear_0")
"""Projections whose first rows make queries; those are scaled once here instead of at every step."""


def erf(x: Floats) -> Floats:
    """Return the error function, to about 1e-6.

    Source: Abramowitz and Stegun, Handbook of Mathematical Functions, 7.1.26 (error below 1.5e-7).
    """
    size = np.abs(x)
    t = 1.0 / (1.0 + np.float32(0.3275911) * size)
    series = np.float32(1.061405429) * t - np.float32(1.453152027)
    for coefficient in (1.421413741, -0.284496736, 0.254829592):
        series = series * t + np.float32(coefficient)
    result: Floats = np.copysign(1.0 - series * t * np.exp(-size * size), x)
    return result


def _gelu(x: Floats) -> Floats:
    return np.float32(0.5) * x * (np.float32(1.0) + erf(x * np.float32(0.5**0.5)))


def _softmax(x: Floats) -> Floats:
    """Softmax over the last axis, in place."""
    x -= x.max(-1, keepdims=True)
    np.exp(x, out=x)
    x /= x.sum(-1, keepdims=True)
    return x


@dataclass(frozen=True, slots=True)
class _Norm:
    gamma: Floats
    beta: Floats

    def __call__(self, x: Floats) -> Floats:
        centred = x - x.mean(-1, keepdims=True)
        spread = np.sqrt(np.einsum("ij,ij->i", centred, centred) / x.shape[-1] + np.float32(1e-5))
        result: Floats = centred / spread[:, None] * self.gamma + self.beta
        return result


@dataclass(frozen=True, slots=True)
class _Linear:
    """Kept as (in, out) where that is wider: the BLAS multiplies few rows by it twice as fast."""

    weight: Floats
    bias: Floats

    @classmethod
    def of(cls, weight: Floats, bias: Floats) -> _Linear:
        """Take weights as the file has them, (out, in)."""
        wide = weight.shape[0] >= weight.shape[1]
        return cls(np.ascontiguousarray(weight.T) if wide else weight.T, bias)

    def __call__(self, x: Floats) -> Floats:
        result: Floats = x @ self.weight
        result += self.bias
        return result


@dataclass(frozen=True, slots=True)
class _Layer:
    own_norm: _Norm
    own_in: _Linear
    own_out: _Linear
    heard_norm: _Norm
    heard_query: _Linear
    heard_memory: _Linear
    heard_out: _Linear
    wide_norm: _Norm
    wide_in: _Linear
    wide_out: _Linear


class Decoder:
    """Weights, shared by all utterances."""

    def __init__(self, model: ModelFile) -> None:
        self.heads = model.integer("decoder/num_heads")
        self._embeddings = model.variables["decoder/embeddings/weight"]
        self.vocabulary_size, self.width = self._embeddings.shape
        self.positions = model.floats("decoder/position_encodings/encodings")
        self.norm = self._norm(model, "decoder/layer_norm")
        self.layers: list[_Layer] = []
        while f"decoder/layer_{len(self.layers)}/ffn/linear_0/weight" in model.variables:
            self.layers.append(self._layer(model, f"decoder/layer_{len(self.layers)}"))
        self.output = np.ascontiguousarray(model.floats("decoder/projection/weight").T)
        self.common = np.ascontiguousarray(self.output[:, :COMMON_TOKENS])

    def embedded(self, tokens: Sequence[int]) -> Floats:
        """Return the embeddings of tokens, shape (n, width)."""
        found: Floats = self._embeddings[np.asarray(tokens)].astype(np.float32)
        return found

    @staticmethod
    def _norm(model: ModelFile, name: str) -> _Norm:
        return _Norm(model.floats(f"{name}/gamma"), model.floats(f"{name}/beta"))

    def _layer(self, model: ModelFile, name: str) -> _Layer:
        def linear(part: str) -> _Linear:
            weight, bias = model.floats(f"{name}/{part}/weight"), model.floats(f"{name}/{part}/bias")
            if part in _WITH_QUERY:
                weight[: self.width] *= scale
                bias[: self.width] *= scale
            return _Linear.of(weight, bias)

        scale = np.float32((self.width // self.heads) ** -0.5)
        return _Layer(
            own_norm=self._norm(model, f"{name}/self_attention/layer_norm"),
            own_in=linear("self_attention/linear_0"),
            own_out=linear("self_attention/linear_1"),
            heard_norm=self._norm(model, f"{name}/attention/layer_norm"),
            heard_query=linear("attention/linear_0"),
            heard_memory=linear("attention/linear_1"),
            heard_out=linear("attention/linear_2"),
            wide_norm=self._norm(model, f"{name}/ffn/layer_norm"),
            wide_in=linear("ffn/linear_0"),
            wide_out=linear("ffn/linear_1"),
        )


@dataclass(frozen=True, slots=True)
class Shortlist:
    """The tokens whose logits the search sees: the common ones and those of a grammar.

    `column`: token id -> column, -1 for a token outside; `rare`: output weights, shape (width, n), of the
    grammar's tokens that are not among the common ones.
    """

    column: NDArray[np.int32]
    rare: Floats

    @classmethod
    def of(cls, decoder: Decoder, tokens: NDArray[np.int64]) -> Shortlist:
        """Make the short list for a grammar's tokens."""
        rare = tokens[tokens >= COMMON_TOKENS]
        column = np.full(decoder.vocabulary_size, -1, dtype=np.int32)
        column[:COMMON_TOKENS] = np.arange(COMMON_TOKENS, dtype=np.int32)
        column[rare] = COMMON_TOKENS + np.arange(len(rare), dtype=np.int32)
        return cls(column, np.ascontiguousarray(decoder.output[:, rare]))


@dataclass(slots=True)
class _Memory:
    """Keys (heads, dim, n) and values (heads, n, dim) that all hypotheses share, for one layer."""

    keys: Floats
    values: Floats


class NumpyScorer:
    """A `Scorer` on one utterance.

    Args:
        encoded: output of the encoder, shape (time, width).
        prompt: tokens before the first one to be found.
    """

    def __init__(self, decoder: Decoder, shortlist: Shortlist, encoded: Floats, prompt: Sequence[int]) -> None:
        self._decoder = decoder
        self._shortlist = shortlist
        self._prompt = list(prompt)
        self._heard = [self._split(layer.heard_memory(encoded)) for layer in decoder.layers]
        self._before: list[_Memory] = []
        heads, dim = decoder.heads, decoder.width // decoder.heads
        none = np.zeros((1, heads, 0, dim), dtype=np.float32)
        self._own = [(none, none) for _ in decoder.layers]
        self._hidden: list[Floats] = []
        self._ceilings: list[NDArray[np.float64]] = []
        self._nodes = 0
        self._position = 0

    def _split(self, keys_values: Floats) -> _Memory:
        heads = self._decoder.heads
        time, double = keys_values.shape
        keys, values = keys_values[:, : double // 2], keys_values[:, double // 2 :]
        return _Memory(
            np.ascontiguousarray(keys.reshape(time, heads, -1).transpose(1, 2, 0)),
            np.ascontiguousarray(values.reshape(time, heads, -1).transpose(1, 0, 2)),
        )

    def _by_head(self, x: Floats) -> Floats:
        """(rows, width) -> (heads, rows, dim)"""
        return x.reshape(x.shape[0], self._decoder.heads, -1).transpose(1, 0, 2)

    def _flat(self, x: Floats) -> Floats:
        """(heads, rows, dim) -> (rows, width)"""
        return x.transpose(1, 0, 2).reshape(x.shape[1], -1)

    def start(self) -> Scores:
        """Run the prompt."""
        decoder = self._decoder
        count = len(self._prompt)
        x = decoder.embedded(self._prompt) + decoder.positions[:count]
        future = np.triu(np.full((count, count), _NEVER, dtype=np.float32), 1)
        width = decoder.width
        for layer, heard in zip(decoder.layers, self._heard, strict=True):
            joint = layer.own_in(layer.own_norm(x))
            before = self._split(joint[:, width:])
            self._before.append(before)
            if layer is decoder.layers[-1]:  # after it only the last position is wanted
                joint, x, future = joint[-1:], x[-1:], future[-1:]
            weights = _softmax(self._by_head(joint[:, :width]) @ before.keys + future)
            x = x + layer.own_out(self._flat(weights @ before.values))
            x = self._listen(layer, heard, x)
        self._position = count
        return self._scores(decoder.norm(x))

    def step(self, parents: Sequence[int], tokens: Sequence[int]) -> Scores:
        """Extend rows of the last scores by one token each."""
        decoder = self._decoder
        rows = np.asarray(parents)
        x = decoder.embedded(tokens) + decoder.positions[self._position]
        count, width, heads = len(rows), decoder.width, decoder.heads
        for number, (layer, heard) in enumerate(zip(decoder.layers, self._heard, strict=True)):
            joint = layer.own_in(layer.own_norm(x))
            query, key, value = (joint[:, i * width : (i + 1) * width].reshape(count, heads, -1) for i in range(3))
            keys = np.concatenate((self._own[number][0][rows], key[:, :, None]), axis=2)
            values = np.concatenate((self._own[number][1][rows], value[:, :, None]), axis=2)
            self._own[number] = (keys, values)
            before = self._before[number]
            shared = query.transpose(1, 0, 2) @ before.keys
            own = (keys @ query[..., None])[..., 0].transpose(1, 0, 2)
            weights = _softmax(np.concatenate((shared, own), axis=2))
            split = before.keys.shape[2]
            mixed = weights[:, :, :split] @ before.values
            mixed += (weights[:, :, None, split:] @ values.transpose(1, 0, 2, 3))[:, :, 0]
            x = x + layer.own_out(self._flat(mixed))
            x = self._listen(layer, heard, x)
        self._position += 1
        return self._scores(decoder.norm(x))

    def _listen(self, layer: _Layer, heard: _Memory, x: Floats) -> Floats:
        """Attention to the audio, and the wide layer."""
        weights = _softmax(self._by_head(layer.heard_query(layer.heard_norm(x))) @ heard.keys)
        x = x + layer.heard_out(self._flat(weights @ heard.values))
        return x + layer.wide_out(_gelu(layer.wide_in(layer.wide_norm(x))))

    def _scores(self, hidden: Floats) -> Scores:
        logits = np.concatenate((hidden @ self._decoder.common, hidden @ self._shortlist.rare), axis=1)
        highest = logits.max(1, keepdims=True)
        ceiling = (np.log(np.exp(logits - highest).sum(1)) + highest[:, 0]).astype(np.float64)
        first = self._nodes
        self._hidden.append(hidden)
        self._ceilings.append(ceiling)
        self._nodes += len(hidden)
        return Scores(logits, self._shortlist.column, ceiling, first)

    def normalisers(self, nodes: Sequence[int]) -> NDArray[np.float64]:
        """Return the log-sum-exp over the whole vocabulary for the rows asked for."""
        chosen = np.asarray(nodes)
        shift = np.concatenate(self._ceilings)[chosen]
        logits = np.concatenate(self._hidden)[chosen] @ self._decoder.output
        logits -= shift[:, None].astype(np.float32)
        np.exp(logits, out=logits)
        result: NDArray[np.float64] = shift.astype(np.float32) + np.log(logits.sum(1, dtype=np.float64))
        return result
