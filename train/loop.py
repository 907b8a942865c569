"""Trains the student: python -m train.loop PACK START.npz OUT --seed 1 --steps N

The published network on clean sound is the teacher; the same network on the same sound degraded is the student, its linear layers
rounded as the published files round them. A step is short work for an accelerator and would be bound by the starting of its kernels,
so each length of clip has its step recorded once (CUDA graph) and replayed. Without an accelerator the same step runs as it stands.

OUT gets `trained.npz`, the moving average of the weights, written over and over, and `log.txt`.
"""

from __future__ import annotations

import argparse
import math
import os
import pathlib
import time
from dataclasses import dataclass

import numpy
import torch
from torch import Tensor, distributed, nn

from train import losses, pack, tokens, weights
from train.degrade import Conditions, degraded
from train.network import END, START, Decoder, Encoder, rounded
from train.noise import Noises, Shelf
from train.speech import BEHIND, Island, Speech, in_words, more_short, share_of_steps

# Seconds of the clips.
LENGTHS = (0.8, 1.0, 1.3, 1.7, 2.3, 3.2, 5.0)
# How often a set is taken from: many speakers first, whatever their share of the hours.
SHARES = {"libri-train": 0.34, "speechocean": 0.2, "intent": 0.2, "kokoro": 0.12, "flite": 0.14}


@dataclass(frozen=True)
class Recipe:
    """What is trained how hard."""

    encoder_rate: float = 4e-4
    decoder_rate: float = 1.2e-4
    warm_steps: int = 200
    decay: float = 0.01
    kept: float = 0.999
    states: float = 1.0
    next_token: float = 0.7
    # The next token on sound that is clean: what is written down in quiet is to stay as it was.
    clean: float = 1.0
    order: float = 0.2
    sure: float = 0.15
    rows: int = 256
    # Rows of a step whose texts are set against wrong ones: each costs as much as eight.
    ordered: int = 96
    # From this share of the way on what goes into linear layers is rounded as well; their weights are from the start.
    rounds_input_from: float = 0.6


@dataclass
class Pool:
    """Clean clips of one length with all that the teacher says of them."""

    clean: Tensor
    quiet: Tensor
    states: Tensor
    tokens: Tensor
    kept: Tensor
    given: Tensor


@torch.no_grad()
def decoded(decoder: Decoder, memory: Tensor, most: int) -> Tensor:
    """The likeliest text, token by token; END after its end. (rows, up to `most` + 1)."""
    found = torch.full((len(memory), 1), START, dtype=torch.long, device=memory.device)
    over = torch.zeros(len(memory), dtype=torch.bool, device=memory.device)
    for _ in range(most):
        following = decoder.logits(decoder(found, memory)[:, -1]).argmax(-1)
        following = torch.where(over, END, following)
        over |= following == END
        found = torch.cat([found, following[:, None]], 1)
        if over.all():
            break
    return found


def most_tokens(seconds: float) -> int:
    """Tokens that are spoken in so much time at most."""
    return min(32, int(seconds * 5.5) + 5)


@torch.no_grad()
def pooled(speech: Speech, teacher: Encoder, decoder: Decoder, seconds: float, count: int, rows: int = 512) -> Pool:
    """Clips, and what the teacher makes of them; texts that have not ended when they should have are cut there."""
    parts, most = [], most_tokens(seconds)
    for _ in range(max(1, math.ceil(count / rows))):
        clean, quiet = speech.clean(seconds, rows)
        states = teacher(clean)
        found = decoded(decoder, states, most)
        texts = torch.full((rows, most + 2), END, dtype=torch.long, device=clean.device)
        texts[:, : found.shape[1]] = found
        kept, given = losses.likeliest(decoder.logits(decoder(texts[:, :-1], states)))
        parts.append((clean.half(), quiet, states.half(), texts, kept.to(torch.int32), given.half()))
    return Pool(*(torch.cat(one) for one in zip(*parts)))


def gathered(index: list[dict], device, seed: int, strips: int = 640) -> tuple[Speech, Noises]:
    """Speech and noises to train on from a pack's entries; nothing that is held out."""
    sounds, pieces, at = [], {}, 0
    shelves: dict[str, list[Tensor]] = {"noise": [], "voice": []}
    for one in index:
        if one["held_out"]:
            continue
        if one["kind"] != "speech":
            shelves[one["kind"]].append(torch.tensor(one["sound"], device=device))
            continue
        held = [Island(0, length, tuple(cuts)) for length, cuts in one["islands"]]
        pieces.setdefault(one["set"], []).append(in_words(held, at))
        sounds.append(one["sound"])
        at += one["samples"]
    if unknown := set(pieces) - set(SHARES):
        raise SystemExit(f"no share is set for {', '.join(sorted(unknown))}; SHARES in train/loop.py")
    together = numpy.concatenate([*sounds, numpy.zeros(BEHIND, numpy.float32)])
    samples = torch.tensor(together, device=device)
    chosen = {name: more_short(numpy.concatenate(some), seed) for name, some in pieces.items()}
    speech = Speech(samples, chosen, SHARES)
    crowd = Shelf([samples[:-BEHIND]])
    own = Shelf(shelves["voice"]) if shelves["voice"] else crowd
    return speech, Noises(Shelf(shelves["noise"]), crowd, own, strips)


class Training:
    """The student, what it is held to, and a step for each length of clip."""

    def __init__(self, start: dict, speech: Speech, noises: Noises, table: numpy.ndarray, recipe: Recipe, clips: int, lengths, device) -> None:
        self.recipe, self.noises, self.device = recipe, noises, device
        self.teacher, self.teacher_decoder = (half.requires_grad_(False).eval() for half in weights.networks(start, device))
        self.student, self.decoder = weights.networks(start, device)
        # The embedding, which is the head as well, is a third of the model and stays as it was published.
        self.decoder.emb.requires_grad_(False)
        for half in (self.student, self.decoder):
            rounded(half, inputs=recipe.rounds_input_from <= 0)
        self.table = torch.tensor(table, device=device)
        shares = [share_of_steps(one) for one in lengths]
        self.lengths, self.shares = lengths, [one / sum(shares) for one in shares]
        self.rows = [max(8, 8 * round(min(2.0, (1.6 / one) ** 0.7) * recipe.rows / 8)) for one in lengths]
        self.pools = [
            pooled(speech, self.teacher, self.teacher_decoder, one, int(clips * share), min(512, clips))
            for one, share in zip(lengths, self.shares)
        ]
        sample = torch.cat([pool.states[:400].float().flatten(0, 1) for pool in self.pools])
        self.spread = sample.std(0).clamp(min=0.05)
        encoder = list(self.student.parameters())
        decoder = [one for one in self.decoder.parameters() if one.requires_grad]
        self.learned = encoder + decoder
        fused = device.type == "cuda"
        # A rate that is a tensor can be changed while a recorded step reads it.
        self.rates = [torch.tensor(rate, device=device) for rate in (recipe.encoder_rate, recipe.decoder_rate)]
        groups = [{"params": some, "lr": rate} for some, rate in zip((encoder, decoder), self.rates)]
        self.optimizer = torch.optim.AdamW(groups, betas=(0.9, 0.98), weight_decay=recipe.decay, fused=fused, capturable=fused)
        self.average = [one.detach().clone() for one in self.learned]
        self.sums = torch.zeros(7, device=device)
        self.graphs: dict[int, torch.cuda.CUDAGraph] = {}

    def loss(self, which: int) -> Tensor:
        """One batch of the clips of a length; what it adds to the sums are states, next token, the same on clean sound, order, too sure, share of rows put first."""
        pool, rows, recipe = self.pools[which], self.rows[which], self.recipe
        picked = (torch.rand(rows, device=self.device) * len(pool.clean)).long()
        with torch.no_grad():
            quiet, texts = pool.quiet[picked], pool.tokens[picked]
            noisy = degraded(pool.clean[picked].float(), quiet, self.noises, Conditions())
            taught = pool.states[picked].float()
        states = self.student(noisy)
        far = losses.apart(states, taught, self.spread).mean()
        logits = self.decoder.logits(self.decoder(texts[:, :-1], states))
        count = losses.counted(texts)
        gap = losses.divergence(logits, pool.kept[picked].long(), pool.given[picked].float())
        gap = (gap * count).sum() / count.sum()
        few = min(recipe.ordered, rows)
        plainly = self.decoder.logits(self.decoder(texts[:few, :-1], self.student(pool.clean[picked[:few]].float())))
        held = losses.divergence(plainly, pool.kept[picked[:few]].long(), pool.given[picked[:few]].float())
        held = (held * count[:few]).sum() / count[:few].sum()
        choices, valid, mixable = losses.candidates(texts[:few], self.table)
        said = losses.scores(self.decoder, states[:few], choices)
        with torch.no_grad():
            known = losses.scores(self.teacher_decoder, taught[:few], choices)
            short = counted_tokens(texts[:few]) <= 4
            matters = (1.0 + mixable + short) * ~quiet[:few, 0]
            matters = matters / matters.sum().clamp(min=1)
        order = (losses.ordered(said, valid) * matters).sum()
        sure = losses.too_sure(said, known, valid).mean()
        total = recipe.states * far + recipe.next_token * gap + recipe.clean * held + recipe.order * order + recipe.sure * sure
        first = (said.detach().masked_fill(~valid, -1e4).argmax(1) == 0).float().mean()
        self.sums += torch.stack([far, gap, held, order, sure, first, torch.ones_like(far)]).detach()
        return total

    def step(self, which: int) -> None:
        """One step of learning; can be recorded."""
        for one in self.learned:
            one.grad = None
        self.loss(which).backward()
        if distributed.is_initialized():
            together = torch.cat([one.grad.flatten() for one in self.learned])
            distributed.all_reduce(together, distributed.ReduceOp.AVG)
            for one, mean in zip(self.learned, together.split([one.numel() for one in self.learned])):
                one.grad.copy_(mean.view_as(one))
        for one in self.learned:
            one.grad.nan_to_num_(0.0, 0.0, 0.0)
        nn.utils.clip_grad_norm_(self.learned, 1.0, foreach=True)
        self.optimizer.step()
        with torch.no_grad():
            torch._foreach_lerp_(self.average, [one.detach() for one in self.learned], 1 - self.recipe.kept)

    def record(self) -> None:
        """Records the step of every length; the longest first, whose memory the others use again."""
        self.graphs.clear()
        side, memory = torch.cuda.Stream(), None
        for which in reversed(range(len(self.lengths))):
            side.wait_stream(torch.cuda.current_stream())
            with torch.cuda.stream(side):
                for _ in range(2):
                    self.step(which)
            torch.cuda.current_stream().wait_stream(side)
            for one in self.learned:
                one.grad = None
            graph = torch.cuda.CUDAGraph()
            with torch.cuda.graph(graph, pool=memory, capture_error_mode="thread_local"):
                self.step(which)
            memory = memory or graph.pool()
            self.graphs[which] = graph

    def round_inputs(self) -> None:
        """From now on what goes into linear layers is rounded as well."""
        rounded(self.student), rounded(self.decoder)
        if self.graphs:
            self.record()

    def run(self, which: int) -> None:
        """A step, recorded or not."""
        if which in self.graphs:
            self.graphs[which].replay()
        else:
            self.step(which)

    def pace(self, done: float, steps: int) -> None:
        """Sets the rates for a share of the way: a rise over the first steps, then half a cosine down to a fiftieth."""
        rise = min(1.0, (steps + 1) / self.recipe.warm_steps)
        fall = 0.02 + 0.98 * 0.5 * (1 + math.cos(math.pi * min(1.0, done)))
        for rate, most in zip(self.rates, (self.recipe.encoder_rate, self.recipe.decoder_rate)):
            rate.fill_(most * rise * fall)

    def learned_weights(self) -> dict[str, numpy.ndarray]:
        """The moving average of what is learned, by name."""
        names = ["enc." + name for name, _ in self.student.named_parameters()]
        names += ["dec." + name for name, one in self.decoder.named_parameters() if one.requires_grad]
        return {name: one.cpu().numpy() for name, one in zip(names, self.average)}


def counted_tokens(texts: Tensor) -> Tensor:
    """Tokens of each text, its end among them."""
    return losses.counted(texts).sum(1)


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("pack", type=pathlib.Path)
    words.add_argument("start", type=pathlib.Path, help="the published weights, by `python -m train.weights out`")
    words.add_argument("out", type=pathlib.Path)
    words.add_argument("--tokenizer", type=pathlib.Path, required=True, help="tokenizer.bin of the published model")
    words.add_argument("--seed", type=int, default=1)
    words.add_argument("--steps", type=int, default=20_000)
    words.add_argument("--seconds", type=float, default=math.inf, help="the way ends then, however many steps it has been")
    words.add_argument("--clips", type=int, default=160_000, help="clean clips that the teacher is asked about")
    words.add_argument("--rows", type=int, default=Recipe.rows)
    words.add_argument("--from", dest="since", type=pathlib.Path, help="go on from these weights instead of the published ones")
    for name in ("encoder_rate", "decoder_rate", "order", "sure", "next_token", "clean", "rounds_input_from"):
        words.add_argument(f"--{name.replace('_', '-')}", type=float, default=getattr(Recipe, name))
    asked = words.parse_args()
    asked.out.mkdir(parents=True, exist_ok=True)
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    # Started by torchrun there is one of these for each accelerator; each has clips and noises of its own.
    rank = int(os.environ.get("LOCAL_RANK", 0))
    if "LOCAL_RANK" in os.environ:
        device = torch.device("cuda", rank)
        torch.cuda.set_device(device)
        distributed.init_process_group("nccl", device_id=device)
    torch.manual_seed(asked.seed * 1000 + rank)
    # 10 bits of mantissa in products: more than the 8 bits that the weights end in.
    torch.backends.cuda.matmul.allow_tf32 = torch.backends.cudnn.allow_tf32 = True
    begun = time.time()
    log = (asked.out / "log.txt").open("a") if rank == 0 else None

    def say(*parts) -> None:
        if rank:
            return
        print(f"[{time.time() - begun:.0f}]", *parts, flush=True)
        print(f"[{time.time() - begun:.0f}]", *parts, file=log, flush=True)

    recipe = Recipe(encoder_rate=asked.encoder_rate, decoder_rate=asked.decoder_rate, order=asked.order, sure=asked.sure, next_token=asked.next_token, clean=asked.clean, rounds_input_from=asked.rounds_input_from, rows=asked.rows)
    speech, noises = gathered(pack.loaded(asked.pack), device, asked.seed)
    say("speech", {name: len(some) for name, some in speech.pieces.items()}, f"{len(speech.samples) / 16000 / 3600:.2f} h, noises", len(noises.kinds))
    table = tokens.mixed_up(tokens.pieces(asked.tokenizer))
    start = weights.loaded(asked.start)
    lengths = LENGTHS if device.type == "cuda" else LENGTHS[:2]
    training = Training(start, speech, noises, table, recipe, asked.clips, lengths, device)
    if asked.since:
        since = start | weights.loaded(asked.since)
        training.student.load_state_dict(weights.part(since, "enc."))
        training.decoder.load_state_dict(weights.part(since, "dec."))
        for kept, one in zip(training.average, training.learned):
            kept.copy_(one.detach())
    say("pool", [len(pool.clean) for pool in training.pools], "rows", training.rows)
    if device.type == "cuda":
        training.record()
        say(f"steps recorded, {torch.cuda.max_memory_allocated() / 2**30:.0f} GiB")
    draw, rounds_input = numpy.random.default_rng(asked.seed), recipe.rounds_input_from <= 0
    first, saved, done = time.time(), time.time(), 0.0
    for number in range(asked.steps):
        if number % 50 == 0:
            if device.type == "cuda":
                torch.cuda.synchronize()
            ahead = torch.tensor((time.time() - first) / max(1e-9, asked.seconds - (first - begun)), device=device)
            if distributed.is_initialized():
                # All go by the clock of the first.
                distributed.broadcast(ahead, 0)
            done = max(number / asked.steps, ahead.item())
            training.pace(done, number)
            if ahead.item() >= 1:
                break
            if done >= recipe.rounds_input_from and not rounds_input:
                rounds_input = True
                training.round_inputs()
                say("inputs are rounded from step", number)
        training.run(int(draw.choice(len(lengths), p=training.shares)))
        if (number + 1) % 500 == 0 or number + 1 == asked.steps:
            means = (training.sums[:-1] / training.sums[-1]).tolist()
            training.sums.zero_()
            say(number + 1, "states {:.3f} next {:.3f} clean {:.3f} order {:.3f} sure {:.3f} first {:.3f}".format(*means), f"{(time.time() - first) / (number + 1) * 1000:.1f} ms a step")
        if time.time() - saved > 150 and rank == 0:
            weights.saved(training.learned_weights(), asked.out / "trained.npz", start)
            saved = time.time()
    if rank == 0:
        weights.saved(training.learned_weights(), asked.out / "trained.npz", start)
    say("saved after", number + 1)
    if distributed.is_initialized():
        distributed.barrier()
        # Taking down what recorded steps still hold can wait for ever.
        os._exit(0)


if __name__ == "__main__":
    main()
