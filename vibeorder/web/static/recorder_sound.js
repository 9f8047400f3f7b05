// Runs beside the page, on the sound's own thread: plain 16-bit PCM with the number of its first frame.

const BLOCK = 2048;

class RecorderSound extends AudioWorkletProcessor {
  constructor() {
    super();
    this.block = new Int16Array(BLOCK);
    this.filled = 0;
    this.first = 0;
    this.loudest = 0;
  }

  process(inputs) {
    const heard = inputs[0][0];
    if (!heard) return true;
    if (this.filled && this.first + this.filled !== currentFrame) this.give();
    if (!this.filled) this.first = currentFrame;
    for (const value of heard) {
      this.loudest = Math.max(this.loudest, Math.abs(value));
      this.block[this.filled++] = Math.max(-32768, Math.min(32767, Math.round(value * 32768)));
      if (this.filled === BLOCK) {
        const next = this.first + BLOCK;
        this.give();
        this.first = next;
      }
    }
    return true;
  }

  give() {
    const samples = this.block.slice(0, this.filled);
    this.port.postMessage({ frame: this.first, samples, loudest: this.loudest }, [samples.buffer]);
    this.filled = 0;
    this.loudest = 0;
  }
}

registerProcessor("recorder-sound", RecorderSound);
