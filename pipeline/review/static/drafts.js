// Corners moved by hand and not saved yet, by clip, and what the program had kept when they were shown.

export class Drafts {
  constructor() {
    this.moved = new Map(); // clip: { points, found, words }; found: a correction is to be taken back
    // clip: { own, all, byHand, recording }, sent along on saving: the program refuses if it moved on
    this.held = new Map();
    addEventListener("beforeunload", (event) => { if (this.moved.size) event.preventDefault(); });
  }

  /** What is kept of a clip as it is now shown; what was moved before stays with what it was moved from. */
  shown(clip, marks) {
    if (this.moved.has(clip)) return;
    const byHand = marks.source === "hand" || Boolean(marks.outdated);
    this.held.set(clip, { own: marks.kept, all: marks.kept_all, byHand, recording: marks.recording });
  }

  /** After saving `draft` (undefined: corners as shown) of a clip; moved again meanwhile, it is still to be saved. */
  saved(clip, draft, reply, byHand) {
    if (this.moved.get(clip) === draft) this.moved.delete(clip);
    for (const [of, own] of Object.entries(reply.kept)) {
      const held = this.held.get(Number(of));
      if (held) Object.assign(held, { own, byHand });
    }
    for (const held of this.held.values()) if (held.all === reply.replaced_all) held.all = reply.kept_all;
  }
}
