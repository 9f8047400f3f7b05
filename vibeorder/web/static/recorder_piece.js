// One second as it is kept and sent; vibeorder/web/pieces.py says what stands where.

const COLUMNS = 10;

export class Collector {
  constructor() {
    this.clear();
  }

  clear() {
    Object.assign(this, { rows: [], sound: [], samples: [], fixes: [], marks: [], events: [] });
  }

  get empty() {
    return !this.rows.length && !this.samples.length && !this.fixes.length && !this.marks.length && !this.events.length;
  }

  // Blocks that follow each other are said as one.
  addSound(segment, frame, arrived_s, samples, rate_hz) {
    const last = this.sound.at(-1);
    if (last && last.segment === segment && last.frame + last.frames === frame) {
      last.frames += samples.length;
      last.arrived_s = Math.min(arrived_s, last.arrived_s + samples.length / rate_hz);
    } else {
      this.sound.push({ segment, frame, frames: samples.length, arrived_s });
    }
    this.samples.push(samples);
  }

  // The bytes of piece n with all that came since the last one.
  async take(n, about) {
    const head = { n, rows: this.rows.length / COLUMNS, sound: this.sound, fixes: this.fixes, marks: this.marks, events: this.events };
    if (about) head.about = about;
    const text = new TextEncoder().encode(JSON.stringify(head));
    const length = new DataView(new ArrayBuffer(4));
    length.setUint32(0, text.length, true);
    const parts = ["VOP1", length, text, new Float64Array(this.rows), ...this.samples];
    this.clear();
    return new Blob(parts).arrayBuffer();
  }
}
