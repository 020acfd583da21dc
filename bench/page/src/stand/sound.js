// A click for each cylinder that fires; a skipped one is heard as a gap.
const DELAY_S = 0.06; // events come in bunches, one for each picture; so late they are all heard in their order

export class Sound {
  constructor() {
    this.on = false;
  }
  async turn(on) {
    this.on = on;
    if (!on) return this.context?.suspend();
    this.context ??= new AudioContext();
    this.click ??= this.make();
    return this.context.resume();
  }
  make() {
    const { context } = this;
    const buffer = context.createBuffer(1, Math.round(0.012 * context.sampleRate), context.sampleRate);
    const samples = buffer.getChannelData(0);
    for (let i = 0; i < samples.length; i++) {
      const t = i / context.sampleRate;
      samples[i] = 0.35 * Math.sin(2 * Math.PI * 140 * t) * Math.exp(-t / 0.003);
    }
    return buffer;
  }
  /** An event that fired, so many seconds before now. */
  fire(ago) {
    if (!this.on) return;
    const source = this.context.createBufferSource();
    source.buffer = this.click;
    source.connect(this.context.destination);
    source.start(Math.max(0, this.context.currentTime + DELAY_S - ago));
  }
}
