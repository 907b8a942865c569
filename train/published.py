"""The published model files: which tensor of theirs is which weight of the network, taken out and put back in place.

The files are ONNX Runtime's own format, a flatbuffer. New weights go into the bytes of the old ones: graph, sizes and speed stay.
Linear weights are 8-bit without sign, one scale and one zero point for the tensor, and lie transposed.
"""

from __future__ import annotations

import pathlib
import re
from dataclasses import dataclass, field

import numpy
from onnxruntime.tools.ort_format_model.ort_flatbuffers_py.fbs.InferenceSession import InferenceSession

from train.network import LAYERS

ENCODER, DECODER = "encoder_model.ort", "decoder_model_merged.ort"
# As the format numbers them.
TYPES = {1: numpy.float32, 2: numpy.uint8, 3: numpy.int8, 6: numpy.int32, 7: numpy.int64, 9: numpy.bool_, 11: numpy.float64}
LINEAR = ("MatMulIntegerToFloat", "DynamicQuantizeMatMul")
# The offset of the raw bytes in the table of a tensor: the fifth field of `Tensor` in ort.fbs.
RAW = 12


@dataclass
class Tensor:
    """A tensor in a file: what it holds and at which byte that begins."""

    values: numpy.ndarray
    at: int


@dataclass
class Graph:
    """A file, its tensors by name, and its linear layers: the name of what comes out of each, and of its weights."""

    content: bytearray
    tensors: dict[str, Tensor] = field(default_factory=dict)
    linear: dict[str, str] = field(default_factory=dict)


def opened(path: pathlib.Path) -> Graph:
    """Reads a model file."""
    graph = Graph(bytearray(path.read_bytes()))
    top = InferenceSession.GetRootAs(bytes(graph.content), 0).Model().Graph()
    for number in range(top.InitializersLength()):
        one = top.Initializers(number)
        shape = [one.Dims(axis) for axis in range(one.DimsLength())]
        offset = one._tab.Offset(RAW)
        length = one.RawDataLength()
        at = one._tab.Vector(offset) if length else 0
        kind = TYPES.get(one.DataType())
        if kind is not None and length:
            values = numpy.frombuffer(graph.content, kind, length // numpy.dtype(kind).itemsize, at).reshape(shape).copy()
            graph.tensors[one.Name().decode()] = Tensor(values, at)
    for node in _nodes(top):
        if node.OpType().decode() in LINEAR:
            graph.linear[node.Outputs(0).decode()] = node.Inputs(1).decode().removesuffix("_quantized")
    return graph


def _nodes(graph):
    """All nodes of a graph and of the graphs in it."""
    for number in range(graph.NodesLength()):
        node = graph.Nodes(number)
        yield node
        for which in range(node.AttributesLength()):
            inner = node.Attributes(which).G()
            if inner is not None:
                yield from _nodes(inner)


def encoder_names(graph: Graph) -> dict[str, str]:
    """Weights of the encoder to tensors of the file; a linear one to the beginning of its three tensors' names."""
    names = {}
    for out, base in graph.linear.items():
        if found := re.match(r"/layers\.(\d)/(?:self_attn/(\w)_proj|mlp/(fc\d))/", out):
            names[f"layers.{found[1]}.{'att.' + found[2] if found[2] else found[3]}.weight"] = base
    for layer in range(LAYERS):
        ours, theirs = f"layers.{layer}.", f"layers.{layer}."
        names |= {ours + a: theirs + b for a, b in {**_NORMS, "n2.weight": "post_attention_layernorm.weight"}.items()}
    return names | {
        "c1.weight": "conv1.weight_add_tensor",
        "c2.weight": "conv2.weight_add_tensor",
        "c3.weight": "conv3.weight_add_tensor",
        "c2.bias": "conv2.bias",
        "c3.bias": "conv3.bias",
        "gn.weight": "onnx::Mul_2080",
        "gn.bias": "onnx::Add_2081",
        "out.weight": "layer_norm.weight",
    }


def decoder_names(graph: Graph) -> dict[str, str]:
    """As [`encoder_names`] for the decoder, which holds its embedding twice (the head's copy is not named here)."""
    names = {}
    parts = {"self_attn": "att.", "encoder_attn": "xatt.", "mlp": ""}
    for out, base in graph.linear.items():
        if found := re.match(r"/model/decoder/layers\.(\d)/(self_attn|encoder_attn|mlp)/(\w+?)(?:_proj)?/", out):
            name = f"layers.{found[1]}.{parts[found[2]]}{found[3]}.weight"
            if names.setdefault(name, base) != base:
                raise ValueError(f"{name} is {names[name]} in one branch and {base} in another, expected one tensor")
    for layer in range(LAYERS):
        norms = {**_NORMS, "n2.weight": "post_attention_layernorm.weight", "n3.weight": "final_layernorm.weight"}
        names |= {f"layers.{layer}.{a}": f"model.decoder.layers.{layer}.{b}_merged_0" for a, b in norms.items()}
    return names | {"out.weight": "model.decoder.norm.weight_merged_0", "emb.weight": "model.decoder.embed_tokens.weight_merged_0"}


_NORMS = {"n1.weight": "input_layernorm.weight", "fc1.bias": "mlp.fc1.bias", "fc2.bias": "mlp.fc2.bias"}


def taken_out(graph: Graph, names: dict[str, str]) -> dict[str, numpy.ndarray]:
    """The weights as float32, linear ones as (out, in)."""
    found = {}
    for ours, theirs in names.items():
        if (whole := graph.tensors.get(theirs + "_quantized")) is not None:
            scale, zero = graph.tensors[theirs + "_scale"].values, graph.tensors[theirs + "_zero_point"].values
            values = (whole.values.astype(numpy.float32) - float(zero.item())) * float(scale.item())
            found[ours] = values if ours == "emb.weight" else numpy.ascontiguousarray(values.T)
        else:
            values = graph.tensors[theirs].values
            found[ours] = values.reshape(-1) if ours.startswith("gn.") else values
    return found


def steps_of(weight: numpy.ndarray) -> tuple[numpy.float32, numpy.uint8]:
    """The step and the zero point of 8 bits over the range of a weight, with 0 in it."""
    low, high = min(0.0, float(weight.min())), max(0.0, float(weight.max()))
    step = numpy.float32(max(high - low, 1e-8) / 255)
    return step, numpy.uint8(numpy.clip(round(-low / float(step)), 0, 255))


def in_steps(weight: numpy.ndarray, step: float, zero: float) -> numpy.ndarray:
    """A weight in 8 bits; what lies outside their range goes to its end."""
    return numpy.clip(numpy.round(weight / numpy.float32(step)) + float(zero), 0, 255).astype(numpy.uint8)


def near(values: numpy.ndarray, old: numpy.ndarray) -> numpy.ndarray:
    """The floats nearest to `values` whose lower 16 bits are those of `old`: what differs is then short to tell."""
    bits, low = values.astype(numpy.float32).view(numpy.uint32).astype(numpy.int64), old.view(numpy.uint32).astype(numpy.int64) & 0xFFFF
    return ((((bits - low + 0x8000) >> 16) << 16) + low).astype(numpy.uint32).view(numpy.float32)


def put_back(graph: Graph, names: dict[str, str], weights: dict[str, numpy.ndarray]) -> bytes:
    """The file with `weights` in place of those it has, in the steps of 8 bits that it has; others stay as they are, bit for bit."""
    content = bytearray(graph.content)

    def put(name: str, values: numpy.ndarray) -> None:
        old = graph.tensors[name]
        if values.nbytes != old.values.nbytes or values.dtype != old.values.dtype:
            raise ValueError(f"{name}: {values.dtype} {values.shape}, expected {old.values.dtype} {old.values.shape}")
        content[old.at : old.at + values.nbytes] = values.tobytes()

    for ours, values in weights.items():
        theirs = names[ours]
        if theirs + "_quantized" in graph.tensors:
            step, zero = (graph.tensors[theirs + end].values.item() for end in ("_scale", "_zero_point"))
            put(theirs + "_quantized", in_steps(numpy.ascontiguousarray(values.T), step, zero))
        else:
            old, values = graph.tensors[theirs].values, numpy.ascontiguousarray(values, dtype=numpy.float32)
            put(theirs, near(values, old.reshape(values.shape)) if values.size > LARGE else values)
    return bytes(content)


# Figures of a tensor above which it is worth telling shortly what differs.
LARGE = 10_000
