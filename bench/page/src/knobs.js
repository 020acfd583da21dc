// What can be moved of a calibration: how it is read off an image, and written into one.
const LOOK_Q12 = 65.536; // 1/16 mm ahead for each mm/s, Q12, for each ms

const perSecond = (image, q16) => ((q16 / 65536) * 1e6) / image.get("tick_us") / 10;
const most = (image) => Math.max(...image.row("reduction_map"));

export const KNOBS = [
  {
    name: "ceilings", section: "ceilings", label: "Ceilings", unit: "mm higher", to: 60, from: -60, step: 5,
    key: (v) => `every lift of [ceilings] ${v < 0 ? "−" : "+"}${Math.abs(v)} mm`,
    read: () => 0,
    write: (image, v) => image.row("lift_axis", image.get("lift_points")).forEach((at, i) => image.set("lift_axis", at + 16 * v, i)),
  },
  {
    name: "greatest", section: "ceilings", label: "Greatest reduction", unit: "%", from: 5, to: 100, step: 5,
    key: (v) => `greatest_reduction_percent = ${v}`,
    read: (image) => most(image) / 10,
    write: (image, v) => {
      const before = most(image);
      image.row("reduction_map").forEach((cell, i) => image.set("reduction_map", before ? (cell * 10 * v) / before : 0, i));
      image.set("reduction_limit", Math.max(image.get("reduction_limit"), 10 * v));
    },
  },
  {
    name: "hold", section: "latch", label: "Hold", unit: "ms", from: 0, to: 1000, step: 10,
    key: (v) => `hold_ms = ${v}`,
    read: (image) => (image.get("hold_ticks") * image.get("tick_us")) / 1000,
    write: (image, v) => image.set("hold_ticks", (1000 * v) / image.get("tick_us")),
  },
  {
    name: "release", section: "latch", label: "Release (0: at once)", unit: "% a second", from: 0, to: 600, step: 10,
    key: (v) => (v > 0 ? `release_percent_per_s = ${v}` : 'release = "step"'),
    read: (image) => Math.round(perSecond(image, image.get("release_q16"))),
    write: (image, v) => image.set("release_q16", (v * 10 * 65536 * image.get("tick_us")) / 1e6),
  },
  {
    name: "ahead", section: "look_ahead", label: "Look-ahead, rising", unit: "ms", from: 0, to: 600, step: 10,
    key: (v) => `rising_ms = ${v}`,
    read: (image) => Math.round(image.get("look_rising_q12") / LOOK_Q12),
    write: (image, v) => image.set("look_rising_q12", v * LOOK_Q12),
  },
]; // prettier-ignore

/** The knobs' places as an image has them. */
export const placesOf = (image) => Object.fromEntries(KNOBS.map(({ name, read }) => [name, read(image)]));

/** An image with the knobs that were moved written into it, and the keys that would say the same in a file. */
export function moved(image, places) {
  const made = image.copy();
  const at = placesOf(image);
  const turned = KNOBS.filter(({ name }) => places[name] !== at[name]);
  for (const { name, write } of turned) write(made, places[name]);
  return { image: made, keys: turned.map(({ name, key }) => key(places[name])) };
}
