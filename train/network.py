"""The network of Moonshine tiny in PyTorch, weight for weight that of the published files, and the rounding that those files bring.

Encoder: 16 kHz samples to states, one for about 384 samples. Decoder: tokens and states to the logits of the next tokens. The
published files hold the weights of linear layers in 8 bits and round what goes into them to 8 bits as well; `rounded` gives both to
training, so that what is learned is what will run (straight-through estimator, Bengio and others 2013).
"""

from __future__ import annotations

import torch
from torch import Tensor, nn
from torch.nn import functional as F

WIDTH, HEADS, HEAD_WIDTH, TURNED = 288, 8, 36, 32
LAYERS, VOCABULARY = 6, 32_768
START, END = 1, 2


def turns(length: int, device: torch.device) -> tuple[Tensor, Tensor]:
    """Cosine and sine of the rotary position embedding, (length, TURNED)."""
    rates = 10_000.0 ** (-torch.arange(0, TURNED, 2, device=device) / TURNED)
    angles = torch.outer(torch.arange(length, device=device).float(), rates).repeat_interleave(2, -1)
    return angles.cos(), angles.sin()


def turned(x: Tensor, by: tuple[Tensor, Tensor]) -> Tensor:
    """Queries or keys (..., length, HEAD_WIDTH), their first TURNED figures turned in pairs."""
    cosine, sine = by
    first, rest = x[..., :TURNED], x[..., TURNED:]
    across = torch.stack((-first[..., 1::2], first[..., 0::2]), -1).flatten(-2)
    return torch.cat(((first * cosine + across * sine).to(x.dtype), rest), -1)


class _Straight(torch.autograd.Function):
    """Rounds to 256 steps from `-zero * step` on; the gradient passes as if nothing had been done."""

    @staticmethod
    def forward(_, x: Tensor, step: Tensor, zero: Tensor) -> Tensor:
        return (x / step).round().add_(zero).clamp_(0, 255).sub_(zero).mul_(step)

    @staticmethod
    def backward(_, gradient: Tensor):
        return gradient, None, None


def grid(x: Tensor, dims: tuple[int, ...]) -> tuple[Tensor, Tensor]:
    """Step and zero point of 8 bits over the range of `x` along `dims`, with 0 in it."""
    low, high = x.amin(dims, keepdim=True).clamp(max=0), x.amax(dims, keepdim=True).clamp(min=0)
    step = ((high - low) / 255).clamp(min=1e-8)
    return step, (-low / step).round()


class Linear(nn.Linear):
    """A linear layer that can round its weights and what goes in to 8 bits: the weights to the steps of the published ones, what goes
    in to steps of its own for each utterance."""

    steps: tuple[Tensor, Tensor] | None = None
    rounds_input = False

    def forward(self, x: Tensor) -> Tensor:
        if self.steps is None:
            return super().forward(x)
        if self.rounds_input:
            x = _Straight.apply(x, *grid(x.detach(), tuple(range(1, x.dim()))))
        return F.linear(x, _Straight.apply(self.weight, *self.steps), self.bias)


def rounded(module: nn.Module, inputs: bool = True) -> nn.Module:
    """Lets all linear layers of `module` round from now on, what goes in as well if `inputs`; the weights that it has when this is
    first asked for set their steps."""
    for layer in module.modules():
        if isinstance(layer, Linear):
            layer.steps = layer.steps or grid(layer.weight.detach(), (0, 1))
            layer.rounds_input = inputs
    return module


def norm() -> nn.LayerNorm:
    """Layer norm without offset."""
    return nn.LayerNorm(WIDTH, eps=1e-5, bias=False)


class Attention(nn.Module):
    """Attention of `x` to itself or to `memory`, (batch, length, WIDTH) each."""

    def __init__(self) -> None:
        super().__init__()
        self.q, self.k, self.v, self.o = (Linear(WIDTH, WIDTH, bias=False) for _ in range(4))

    def forward(self, x: Tensor, memory: Tensor | None = None, by=None, causal: bool = False) -> Tensor:
        source = x if memory is None else memory
        batch, length, _ = x.shape
        q, k, v = (
            layer(what).view(what.shape[0], -1, HEADS, HEAD_WIDTH).transpose(1, 2)
            for layer, what in ((self.q, x), (self.k, source), (self.v, source))
        )
        if by is not None:
            q, k = turned(q, by), turned(k, by)
        # Several texts about one sound, one after the other, are one long row of questions to its states.
        q = q.unflatten(0, (k.shape[0], -1)).transpose(1, 2).flatten(2, 3)
        if q.device.type == "cuda":
            found = F.scaled_dot_product_attention(q.bfloat16(), k.bfloat16(), v.bfloat16(), is_causal=causal).to(x.dtype)
        else:
            found = F.scaled_dot_product_attention(q, k, v, is_causal=causal)
        found = found.unflatten(2, (-1, length)).transpose(1, 2).flatten(0, 1)
        return self.o(found.transpose(1, 2).reshape(batch, length, WIDTH))


class EncoderLayer(nn.Module):
    """Attention, then two linear layers."""

    def __init__(self) -> None:
        super().__init__()
        self.n1, self.att, self.n2 = norm(), Attention(), norm()
        self.fc1, self.fc2 = Linear(WIDTH, 4 * WIDTH), Linear(4 * WIDTH, WIDTH)

    def forward(self, x: Tensor, by) -> Tensor:
        x = x + self.att(self.n1(x), by=by)
        return x + self.fc2(F.gelu(self.fc1(self.n2(x))))


class Encoder(nn.Module):
    """Samples (batch, n) to states (batch, about n / 384, WIDTH)."""

    def __init__(self) -> None:
        super().__init__()
        self.c1, self.gn = nn.Conv1d(1, WIDTH, 127, 64, bias=False), nn.GroupNorm(1, WIDTH, eps=1e-5)
        self.c2, self.c3 = nn.Conv1d(WIDTH, 2 * WIDTH, 7, 3), nn.Conv1d(2 * WIDTH, WIDTH, 3, 2)
        self.layers, self.out = nn.ModuleList(EncoderLayer() for _ in range(LAYERS)), norm()

    def forward(self, samples: Tensor) -> Tensor:
        # Sound has more bits than half precision.
        with torch.autocast(samples.device.type, enabled=False):
            x = self.gn(torch.tanh(self.c1(samples.float()[:, None])))
        x = F.gelu(self.c3(F.gelu(self.c2(x)))).transpose(1, 2)
        by = turns(x.shape[1], x.device)
        for layer in self.layers:
            x = layer(x, by)
        return self.out(x)


def states_of(samples: int) -> int:
    """How many states the encoder makes of so many samples."""
    return ((((samples - 127) // 64 + 1) - 7) // 3 + 1 - 3) // 2 + 1


class DecoderLayer(nn.Module):
    """Attention to the text so far, attention to the sound, a gated pair of linear layers."""

    def __init__(self) -> None:
        super().__init__()
        self.n1, self.att, self.n2, self.xatt, self.n3 = norm(), Attention(), norm(), Attention(), norm()
        self.fc1, self.fc2 = Linear(WIDTH, 8 * WIDTH), Linear(4 * WIDTH, WIDTH)

    def forward(self, x: Tensor, memory: Tensor, by) -> Tensor:
        x = x + self.att(self.n1(x), by=by, causal=True)
        x = x + self.xatt(self.n2(x), memory)
        value, gate = self.fc1(self.n3(x)).chunk(2, -1)
        return x + self.fc2(F.silu(gate) * value)


class Decoder(nn.Module):
    """Tokens (batch * k, length) and states (batch, frames, WIDTH) to what the head reads, (batch * k, length, WIDTH)."""

    def __init__(self) -> None:
        super().__init__()
        self.emb = nn.Embedding(VOCABULARY, WIDTH)
        self.layers, self.out = nn.ModuleList(DecoderLayer() for _ in range(LAYERS)), norm()

    def forward(self, tokens: Tensor, memory: Tensor) -> Tensor:
        x = self.emb(tokens)
        by = turns(x.shape[1], x.device)
        for layer in self.layers:
            x = layer(x, memory, by)
        return self.out(x)

    def logits(self, read: Tensor) -> Tensor:
        """Logits of the next token; the published head has the embedding's weights."""
        return F.linear(read, self.emb.weight.to(read.dtype))
