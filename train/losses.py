"""What training holds the student to: the teacher's states, the teacher's next tokens, and right texts before wrong ones.

The teacher hears the clean sound, the student the degraded one. All shapes are fixed, nothing is read back.
"""

from __future__ import annotations

import torch
from torch import Tensor
from torch.nn import functional as F

from train.network import END, START, Decoder

# The teacher's next tokens are kept as its likeliest ones, the rest as one sum.
KEPT = 24


def counted(tokens: Tensor) -> Tensor:
    """True where the next token counts: up to the first end. (rows, length) to (rows, length - 1)."""
    following = tokens[:, 1:] == END
    return following.cumsum(1) - following.long() == 0


def likeliest(logits: Tensor) -> tuple[Tensor, Tensor]:
    """The KEPT likeliest next tokens and the logarithms of their chances."""
    chances = logits.log_softmax(-1)
    values, tokens = chances.topk(KEPT, -1)
    return tokens, values


def apart(states: Tensor, taught: Tensor, spread: Tensor) -> Tensor:
    """How far the states are from the teacher's, a figure a row: the root, so that no row drowns the others."""
    return ((((states - taught) / spread) ** 2).mean((1, 2)) + 0.01).sqrt()


def divergence(logits: Tensor, kept: Tensor, taught: Tensor) -> Tensor:
    """Kullback-Leibler divergence of the student's next token from the teacher's, (rows, length)."""
    chances = logits.gather(-1, kept) - logits.logsumexp(-1, keepdim=True)
    share = taught.exp()
    rest_taught = (1 - share.sum(-1)).clamp(min=1e-6)
    rest = (1 - chances.exp().sum(-1)).clamp(min=1e-6)
    return (share * (taught - chances)).sum(-1) + rest_taught * (rest_taught.log() - rest.log())


def scores(decoder: Decoder, memory: Tensor, texts: Tensor) -> Tensor:
    """Log probability of each text, end included: memory (rows, frames, width), texts (rows, k, length) to (rows, k)."""
    rows, k, length = texts.shape
    flat = texts.reshape(rows * k, length)
    logits = decoder.logits(decoder(flat[:, :-1], memory))
    each = logits.gather(-1, flat[:, 1:, None])[..., 0] - logits.logsumexp(-1)
    return (each * counted(flat)).sum(1).view(rows, k)


def candidates(tokens: Tensor, table: Tensor, others: int = 3) -> tuple[Tensor, Tensor, Tensor]:
    """The right text of each row first, then wrong ones: with a word that is mixed up with one of it, with any other token in a place
    of it, broken off, the texts of other rows, nothing.

    (rows, length) to texts (rows, k, length), True where a text counts (rows, k), and whether the row has such a word (rows,).
    """
    rows, length = tokens.shape
    device = tokens.device
    alike = table[tokens]
    said = F.pad(counted(tokens), (1, 0), value=False) & (tokens != END)
    mixable = (alike[..., 0] > 0) & said

    def somewhere(places: Tensor) -> Tensor:
        return (torch.rand(rows, length, device=device) * places).argmax(1, keepdim=True)

    def instead(places: Tensor, other: Tensor) -> Tensor:
        """The texts with `other` (rows, length) at one of the places."""
        at = somewhere(places)
        return torch.where(places.any(1, keepdim=True), tokens.scatter(1, at, other.gather(1, at)), tokens)

    column = (torch.rand(rows, 1, 1, device=device) * alike.shape[2]).long().expand(rows, length, 1)
    strange = tokens[(torch.rand(rows, device=device) * rows).long()]
    end = torch.arange(length, device=device)[None] >= somewhere(said)
    texts = [
        tokens,
        instead(mixable, alike.gather(2, column)[..., 0]),
        instead(said & (strange > END), strange),
        torch.where(end & said.any(1, keepdim=True), END, tokens),
    ]
    texts += [tokens[(torch.rand(rows, device=device) * rows).long()] for _ in range(others)]
    nothing = torch.full_like(tokens, END)
    nothing[:, 0] = START
    choices = torch.stack([*texts, nothing], 1)
    counts = (choices != tokens[:, None]).any(2)
    counts[:, 0] = True
    return choices, counts, mixable.any(1)


def ordered(said: Tensor, count: Tensor) -> Tensor:
    """Cross entropy of the right text (the first) among those that count, a figure a row."""
    return -said.masked_fill(~count, -1e4).log_softmax(1)[:, 0]


def too_sure(said: Tensor, taught: Tensor, count: Tensor, slack: float = 1.0, most: float = 10.0) -> Tensor:
    """By how many nats the student gives wrong texts more than the teacher does on clean sound, beyond `slack`, a figure a row.

    Without it, what is trained to find the right text finds one everywhere.
    """
    over = (said - taught - slack).clamp(0, most) * count
    return over[:, 1:].sum(1) / count[:, 1:].sum(1).clamp(min=1)
