"""Losses by arithmetic, and steps of learning on seconds of sound with a network of random weights."""

import numpy
import pytest
import torch

from train import losses, tokens
from train.loop import Recipe, Training, gathered
from train.network import END, START, Decoder, Encoder
from train.tests.test_data import bursts
from train.speech import islands

CPU = torch.device("cpu")


def test_a_divergence_from_itself_is_nothing_and_from_another_is_that_of_the_formula():
    torch.manual_seed(1)
    taught, other = torch.randn(2, 3, 200) * 3, torch.randn(2, 3, 200)
    kept, given = losses.likeliest(taught)
    assert losses.divergence(taught, kept, given).abs().max() < 1e-4
    # The rest is one sum, so that what is found is at most the whole divergence (data processing inequality).
    whole = (taught.softmax(-1) * (taught.log_softmax(-1) - other.log_softmax(-1))).sum(-1)
    found = losses.divergence(other, kept, given)
    assert (found <= whole + 1e-4).all() and (found > 0.8 * whole).all()


def test_tokens_count_up_to_the_first_end():
    text = torch.tensor([[START, 7, 8, END, END, END]])
    assert losses.counted(text).tolist() == [[True, True, True, False, False]]


def test_wrong_texts_are_a_word_mixed_up_a_strange_token_a_text_broken_off_others_and_nothing():
    torch.manual_seed(2)
    table = torch.zeros(20, 4, dtype=torch.long)
    table[7], table[9] = 9, 7
    texts = torch.tensor([[START, 7, 5, END], [START, 6, 5, END], [START, 8, END, END]])
    choices, counts, mixable = losses.candidates(texts, table)
    assert mixable.tolist() == [True, False, False]
    assert (choices[:, 0] == texts).all() and counts[:, 0].all()
    # Only the first text has a word that is mixed up with another.
    assert choices[0, 1].tolist() == [START, 9, 5, END] and counts[:, 1].tolist() == [True, False, False]
    # One token is another, and it is from some text.
    changed = (choices[:, 2] != texts).sum(1)
    assert (changed <= 1).all() and set(choices[:, 2].flatten().tolist()) <= {START, END, 5, 6, 7, 8}
    for row in range(3):
        kept = choices[row, 3].tolist()
        kept = kept[: kept.index(END)]
        assert kept == texts[row, : len(kept)].tolist() and len(kept) < (texts[row] != END).sum()
        assert choices[row, -1].tolist() == [START, END, END, END]
        for place in range(1, choices.shape[1]):
            assert counts[row, place] == (choices[row, place].tolist() != texts[row].tolist())


def test_the_order_costs_less_the_higher_the_right_text_stands():
    valid = torch.tensor([[True, True, True, False]])
    low, high = (losses.ordered(torch.tensor([[right, -5.0, -6.0, 99.0]]), valid).item() for right in (-7.0, -2.0))
    assert high < 0.1 < low
    # By hand: -log(e^-2 / (e^-2 + e^-5 + e^-6)).
    assert high == pytest.approx(-numpy.log(numpy.exp(-2) / (numpy.exp(-2) + numpy.exp(-5) + numpy.exp(-6))), rel=1e-5)


def test_too_sure_is_what_wrong_texts_get_beyond_the_teacher_and_the_slack():
    valid = torch.tensor([[True, True, True]])
    known = torch.tensor([[-1.0, -20.0, -30.0]])
    assert losses.too_sure(known, known, valid).item() == 0
    assert losses.too_sure(torch.tensor([[-1.0, -15.0, -30.0]]), known, valid).item() == pytest.approx((5 - 1) / 2)
    assert losses.too_sure(torch.tensor([[9.0, -20.0, -30.0]]), known, valid).item() == 0


def test_words_are_mixed_up_with_words_of_their_kind_only():
    held = [b""] * 259 + ["\u2581on".encode(), "\u2581off".encode(), "\u2581table".encode(), b"On", b"7", b"3"]
    table = tokens.mixed_up(held, 4)
    assert set(table[259]) == {260} and set(table[260]) == {259}
    assert not table[261].any() and not table[262].any()
    assert set(table[263]) == {264}


def index():
    """Entries of a pack: two speakers, a noise, one who is held out and must not be there."""
    found = []
    for speaker, begins in enumerate([(0.4, 1.5, 2.6), (0.3, 1.0, 2.1), (0.5, 2.0)]):
        sound = bursts(*begins, lasts=0.55)
        held = islands(sound)
        kept = numpy.concatenate([sound[i.begin : i.begin + i.length] for i in held])
        found.append({"set": "flite", "kind": "speech", "speaker": f"flite/{speaker}", "held_out": speaker == 2, "sound": kept, "samples": len(kept), "islands": [[i.length, list(i.cuts)] for i in held]})
    noise = numpy.random.default_rng(4).normal(0, 0.1, 32_000).astype(numpy.float32)
    return [*found, {"set": "made", "kind": "noise", "speaker": "made/rain", "held_out": False, "sound": noise, "samples": len(noise), "islands": []}]


def random_weights() -> dict:
    torch.manual_seed(5)
    encoder, decoder = Encoder(), Decoder()
    found = {"enc." + name: one.detach().numpy() for name, one in encoder.named_parameters()}
    return found | {"dec." + name: one.detach().numpy() for name, one in decoder.named_parameters()}


def trained(steps: int) -> tuple[Training, dict]:
    torch.manual_seed(6)
    speech, noises = gathered(index(), CPU, 6, strips=2)
    recipe = Recipe(rows=8, ordered=2, warm_steps=1)
    training = Training(random_weights(), speech, noises, numpy.zeros((32_768, 2), numpy.int64), recipe, 8, (0.8,), CPU)
    for number in range(steps):
        training.pace(0.0, number)
        training.run(0)
    return training, training.learned_weights()


def test_who_is_held_out_is_not_trained_on():
    speech, _ = gathered(index(), CPU, 1, strips=2)
    assert len(speech.samples) - 200_000 == sum(one["samples"] for one in index()[:2])


def test_steps_change_encoder_and_decoder_layers_and_leave_the_embedding():
    training, found = trained(2)
    start = random_weights()
    assert "dec.emb.weight" not in found
    assert (training.decoder.emb.weight.numpy() == start["dec.emb.weight"]).all()
    still = [name for name, values in found.items() if (values == start[name]).all()]
    assert not still
    assert all(numpy.isfinite(values).all() for values in found.values())


def test_the_same_seed_gives_the_same_weights():
    first, second = trained(1)[1], trained(1)[1]
    assert all((first[name] == second[name]).all() for name in first)


def test_repeated_steps_bring_the_student_nearer_to_the_teacher():
    training, _ = trained(0)
    training.recipe = Recipe(rows=8, ordered=2, warm_steps=1, encoder_rate=1e-3, decoder_rate=1e-4)
    seen = []
    for number in range(8):
        training.sums.zero_()
        training.pace(0.0, number)
        training.run(0)
        seen.append(training.sums[0].item())
    assert sum(seen[-3:]) < sum(seen[:3])
