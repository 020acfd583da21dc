// The controller itself, compiled to WebAssembly, and the calibration image that it runs from.
import { clamp } from "./columns.js";

const HEADER = 12; // bytes before the first field
const AXIS_POINTS = 16; // cells in a row of a map

export const bytesOf = (base64) => Uint8Array.from(atob(base64), (letter) => letter.charCodeAt(0));

/** CRC-32/ISO-HDLC of bytes. */
function crc32(bytes) {
  let crc = 0xffffffff;
  for (const byte of bytes) {
    crc ^= byte;
    for (let bit = 0; bit < 8; bit++) crc = (crc >>> 1) ^ (crc & 1 ? 0xedb88320 : 0);
  }
  return ~crc >>> 0;
}

/** An image whose fields can be read and written; `fields` are { name: [offset, code, count] }. */
export class Image {
  constructor(bytes, fields) {
    this.bytes = bytes.slice();
    this.view = new DataView(this.bytes.buffer);
    this.fields = fields;
  }
  copy() {
    return new Image(this.bytes, this.fields);
  }
  get(name, i = 0) {
    const [at, code] = this.fields[name];
    if (code === "I") return this.view.getUint32(at + 4 * i, true);
    return code === "H" ? this.view.getUint16(at + 2 * i, true) : this.view.getInt16(at + 2 * i, true);
  }
  row(name, count = this.fields[name][2]) {
    return Array.from({ length: count }, (_, i) => this.get(name, i));
  }
  /** Writes the nearest whole number that the field's type holds; the core judges whether it is a legal one. */
  set(name, value, i = 0) {
    const [at, code] = this.fields[name];
    const whole = Math.round(value);
    if (code === "I") this.view.setUint32(at + 4 * i, clamp(whole, 0, 0xffffffff), true);
    else if (code === "H") this.view.setUint16(at + 2 * i, clamp(whole, 0, 0xffff), true);
    else this.view.setInt16(at + 2 * i, clamp(whole, -0x8000, 0x7fff), true);
  }
  /** The bytes with their CRC. */
  sealed() {
    this.view.setUint32(8, crc32(this.bytes.subarray(HEADER)), true);
    return this.bytes;
  }

  /** What a map says at each of its lifts, at a progress: bilinear, ends held. */
  column(name, progress) {
    const axis = this.row("progress_axis", this.get("progress_points"));
    let right = axis.findIndex((at) => at > progress);
    if (right < 0) right = axis.length - 1;
    const left = Math.max(0, progress >= axis[axis.length - 1] ? axis.length - 1 : right - 1);
    const share = axis[right] > axis[left] ? clamp((progress - axis[left]) / (axis[right] - axis[left]), 0, 1) : 0;
    return Array.from({ length: this.get("lift_points") }, (_, i) => {
      const [low, high] = [left, right].map((j) => this.get(name, i * AXIS_POINTS + j));
      return low + share * (high - low);
    });
  }

  /** The lifts in 1/16 mm at which retard and reduction begin and at which the reduction is full, at a progress; null
      where that never comes. */
  ceilings(progress) {
    const lifts = this.row("lift_axis", this.get("lift_points"));
    const reduction = this.column("reduction_map", progress);
    const most = Math.max(...reduction);
    return {
      retard: reached(lifts, this.column("retard_map", progress), Math.max(1, this.get("retard_trigger"))),
      reduction: reached(lifts, reduction, Math.max(1, this.get("trigger"))),
      full: most > 0 ? reached(lifts, reduction, most) : null,
    };
  }
}

/** Where a broken line over `lifts` first reaches a value. */
function reached(lifts, values, value) {
  const i = values.findIndex((one) => one >= value - 1e-9);
  if (i <= 0) return i < 0 ? null : lifts[0];
  const share = (value - values[i - 1]) / (values[i] - values[i - 1]);
  return lifts[i - 1] + share * (lifts[i] - lifts[i - 1]);
}

/** One controller. */
export class Core {
  static async open(bytes) {
    const { instance } = await WebAssembly.instantiate(bytes, {});
    return new Core(instance.exports);
  }
  constructor(program) {
    this.program = program;
    const { buffer } = program.memory;
    this.image = new Uint8Array(buffer, program.image_at(), program.image_bytes());
    this.inputs = new Int32Array(buffer, program.inputs_at(), program.input_words());
    this.outputs = new Int32Array(buffer, program.outputs_at(), program.output_words());
  }
  /** Runs from an image, as after power-up: 0, or why it is refused; then it runs from none. */
  load(bytes) {
    this.image.set(bytes);
    return this.program.load();
  }
  /** One tick; its outputs stand in `outputs` until the next. */
  step(inputs) {
    this.inputs.set(inputs);
    this.program.step(1);
  }
  event(cylinder) {
    return this.program.event(cylinder);
  }
}
