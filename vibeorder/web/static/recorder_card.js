// The drive card that came with the address (behind "#", so that it is never sent and works without network).

const MOST_STEPS = 12;
const LONGEST = 110; // vibeorder/web/tasks/plan.py: MARK_LENGTH
const ENDS = " ends"; // vibeorder/recording/ourfile.py: STEP_ENDS

// ["step 1: Hold 60 mph.", ...]; none where the address carries none, or something else.
export function cardOf(hash) {
  const found = /^#card=(.+)$/.exec(hash);
  if (!found) return [];
  try {
    const read = JSON.parse(decodeURIComponent(found[1]));
    if (!Array.isArray(read)) return [];
    return read.slice(0, MOST_STEPS).map((one) => String(one).replace(/[^\p{L}\p{N}_ ,.:;()/%+-]/gu, " ").slice(0, LONGEST)).filter((one) => one.trim());
  } catch {
    return [];
  }
}

// Which step is read out, and whether it is being driven.
export class Steps {
  constructor(marks) {
    this.take(marks);
  }

  take(marks) {
    this.marks = marks;
    this.restart();
  }

  restart() {
    this.at = 0;
    this.running = false;
  }

  get any() {
    return this.marks.length > 0;
  }

  get over() {
    return this.at >= this.marks.length;
  }

  get names() {
    return this.marks.map((one) => one.replace(/^step \d+: /, ""));
  }

  get words() {
    if (this.over) return "All drives of the card are done.";
    return `${this.running ? "Now" : "Next"}: ${this.names[this.at]}`;
  }

  get button() {
    return this.running ? `Drive ${this.at + 1} is done` : `Drive ${this.at + 1} of ${this.marks.length} begins`;
  }

  // On to what comes next; the mark that says what was tapped.
  tap() {
    const mark = this.marks[this.at];
    const said = this.running ? `${mark.replace(/:.*$/, "")}${ENDS}` : mark;
    if (this.running) this.at += 1;
    this.running = !this.running;
    return said;
  }
}
