"""The WebAssembly build of the core equals the native one; the shipped module is what the sources make."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import numpy as np
import pytest

from bench.calibration import load
from bench.replay.inputs import Options, from_trace
from bench.trace.choice import ColumnChoice
from bench.trace.read import read_trace
from controller.image import LENGTH
from firmware_model import binding
from firmware_model.wasm import build
from tests import ROOT
from tests.tools import need_node

TRACES = sorted((ROOT / "traces").glob("*.csv"))
INPUTS = ("tick", "counts", "speed", "speed_valid", "engine", "shaft", "armed", "launch",
          "request_reduction", "request_retard", "request_reason")  # fmt: skip
HARNESS = """
const fs = require("fs");
const [file, image, ticks, out] = process.argv.slice(2);
const core = new WebAssembly.Instance(new WebAssembly.Module(fs.readFileSync(file)), {}).exports;
new Uint8Array(core.memory.buffer).set(fs.readFileSync(image), core.image_at());
const verdict = core.load();
if (verdict === 0) {
  const given = fs.readFileSync(ticks);
  const words = new Int32Array(given.buffer, given.byteOffset, given.length / 4);
  const [wide, told, block] = [core.input_words(), core.output_words(), core.block()];
  const parts = [];
  for (let at = 0; at < words.length; at += wide * block) {
    const part = words.subarray(at, at + wide * block);
    new Int32Array(core.memory.buffer).set(part, core.inputs_at() / 4);
    core.step(part.length / wide);
    const from = core.outputs_at();
    parts.push(Buffer.from(core.memory.buffer.slice(from, from + (4 * told * part.length) / wide)));
  }
  fs.writeFileSync(out, Buffer.concat(parts));
}
console.log(JSON.stringify({ verdict, digest: core.digest() >>> 0, bytes: core.image_bytes() }));
"""


def in_wasm(folder: Path, image: bytes, inputs: np.ndarray) -> tuple[dict[str, int], np.ndarray]:
    """What the module says of an image, and its outputs over ticks, int32[n, 20]."""
    for name, content in (
        ("harness.cjs", HARNESS.encode()), ("image", image), ("ticks", inputs.astype("<i4").tobytes()),
    ):  # fmt: skip
        (folder / name).write_bytes(content)
    files = [folder / name for name in ("harness.cjs", "image", "ticks", "out")]
    words = [need_node(), files[0], build.MODULE, *files[1:]]
    done = subprocess.run([str(word) for word in words], capture_output=True, text=True, check=True)
    told = files[-1].read_bytes() if files[-1].exists() else b""
    return json.loads(done.stdout), np.frombuffer(told, "<i4").reshape(-1, len(binding.OUTPUT_TYPES))


@pytest.mark.parametrize("trace", TRACES, ids=lambda path: path.stem)
def test_it_equals_the_native_core_over_a_demo_trace(trace: Path, tmp_path: Path) -> None:
    calibration = load(ROOT / "traces" / "demo.toml")
    arrays = from_trace(read_trace(trace, ColumnChoice()), calibration, Options()).arrays
    n = len(arrays["counts"])
    columns = {name: np.broadcast_to(arrays[name], n) for name in INPUTS[1:]}
    columns["tick"] = np.arange(n) & 0xFFFF
    said, told = in_wasm(tmp_path, calibration.image, np.column_stack([columns[name] for name in INPUTS]))
    core = binding.Core()
    core.load(calibration.image)
    native = core.run(arrays)
    assert said == {"verdict": 0, "digest": core.digest(), "bytes": LENGTH}
    for at, name in enumerate(binding.OUTPUT_TYPES):
        assert np.array_equal(told[:, at], native[name].astype(np.int64)), name


def test_it_refuses_what_the_core_refuses(tmp_path: Path) -> None:
    image = bytearray(load(ROOT / "traces" / "demo.toml").image)
    image[200] ^= 1
    said, told = in_wasm(tmp_path, bytes(image), np.zeros((1, len(INPUTS)), dtype=np.int32))
    assert said["verdict"] == binding.Core().load(bytes(image)) != 0
    assert len(told) == 0


@pytest.mark.slow
def test_the_shipped_module_is_what_the_sources_make(tmp_path: Path) -> None:
    if build.missing():
        pytest.skip(str(build.missing()))
    build.build(tmp_path / "core.wasm")
    assert (tmp_path / "core.wasm").read_bytes() == build.MODULE.read_bytes(), (
        "run: python -m firmware_model.wasm.build"
    )
