// Frames of one shot on a canvas: exact stepping, slow motion by the frames' own times, the overlay in step.

import { frameAddress } from "./api.js";
import { drawOverlay } from "./overlay.js";

const AHEAD = 24; // frames fetched before they are needed
const AT_ONCE = 4;

export class Player {
  constructor(canvas, { onFrame, onState }) {
    this.canvas = canvas;
    this.ctx = canvas.getContext("2d");
    this.onFrame = onFrame;
    this.onState = onState;
    this.options = { overlay: true, numbers: true };
    this.speed = 0.25;
    this.shot = null;
    this.at = 0;
    this.playing = false;
    this.pictures = new Map();
    this.under = new Set();
  }

  leave() { // until the next shot is there, no frame counts as shown, and none is asked for
    this.stop();
    this.asking?.abort();
    this.left = true;
    delete this.canvas.dataset.frame;
  }

  show(shot, reviewer, blind) {
    this.leave();
    this.left = false;
    for (const picture of this.pictures.values()) picture?.close?.();
    this.pictures = new Map();
    this.under = new Set();
    Object.assign(this, { shot, reviewer, blind, asking: new AbortController() });
    const { width, height } = shot.picture ?? { width: 1280, height: 720 };
    this.canvas.width = width;
    this.canvas.height = height;
    const start = shot.events.find((event) => event.kind === "strike");
    this.go(start ? this.frameAt(start.t_s) : 0);
  }

  get frames() { return this.shot?.frames ?? []; }
  get time() { return this.frames[this.at]?.[1] ?? 0; }

  frameAt(t) {
    let best = 0;
    this.frames.forEach(([, time], i) => { if (Math.abs(time - t) < Math.abs(this.frames[best][1] - t)) best = i; });
    return best;
  }

  go(at) {
    if (!this.frames.length) { this.draw(); return; }
    this.at = Math.max(0, Math.min(this.frames.length - 1, at));
    this.fetchAround();
    this.draw();
  }

  step(by) { this.stop(); this.go(this.at + by); }

  jump(direction) {
    this.stop();
    const places = [...new Set(this.shot.events.map((event) => this.frameAt(event.t_s)))].sort((a, b) => a - b);
    const next = direction > 0 ? places.find((p) => p > this.at) : places.reverse().find((p) => p < this.at);
    if (next !== undefined) this.go(next);
  }

  toggle() { if (this.playing) this.stop(); else this.play(); }

  play() {
    if (this.frames.length < 2) return;
    if (this.at >= this.frames.length - 1) this.go(0);
    this.playing = true;
    this.onState(true);
    let before = performance.now();
    let t = this.time;
    const tick = (now) => {
      if (!this.playing) return;
      const next = Math.min(this.frames.length - 1, this.at + 1);
      const ready = this.shot.no_pictures || this.pictures.get(this.frames[next][0]) !== undefined;
      if (ready) t += ((now - before) / 1000) * this.speed; // waits for a picture that is not there yet
      before = now;
      let at = this.at;
      while (at + 1 < this.frames.length && this.frames[at + 1][1] <= t) at += 1;
      if (at !== this.at) this.go(at);
      if (this.at >= this.frames.length - 1) { this.stop(); return; }
      requestAnimationFrame(tick);
    };
    requestAnimationFrame(tick);
  }

  stop() {
    if (!this.playing) return;
    this.playing = false;
    this.onState(false);
  }

  fetchAround() {
    if (this.shot.no_pictures) return;
    const wanted = [];
    for (let i = this.at; i < Math.min(this.frames.length, this.at + AHEAD); i += 1) wanted.push(i);
    if (this.at > 0) wanted.splice(1, 0, this.at - 1);
    for (const i of wanted) {
      const frame = this.frames[i][0];
      if (this.under.size >= AT_ONCE) break;
      if (!this.pictures.has(frame) && !this.under.has(frame)) this.fetchOne(frame);
    }
  }

  async fetchOne(frame) {
    const shot = this.shot;
    this.under.add(frame);
    let picture = null;
    try {
      const reply = await fetch(frameAddress(shot.id, frame, this.reviewer, this.blind), { signal: this.asking.signal });
      if (reply.ok) picture = await createImageBitmap(await reply.blob());
      if (reply.status === 503) picture = undefined; // being decoded: asked for again
    } catch { /* the next call to the server says what is wrong */ }
    if (shot !== this.shot || this.left) { picture?.close(); return; }
    this.under.delete(frame);
    if (picture === undefined) { this.fetchAround(); return; }
    this.pictures.set(frame, picture);
    if (frame === this.frames[this.at]?.[0]) this.draw();
    this.fetchAround();
  }

  draw() {
    const { ctx, canvas, shot } = this;
    if (!shot || this.left) return;
    const frame = this.frames[this.at]?.[0];
    const picture = this.pictures.get(frame);
    if (picture) {
      ctx.drawImage(picture, 0, 0, canvas.width, canvas.height);
      canvas.dataset.frame = String(frame); // what is really on show
    } else if (shot.no_pictures || picture === null) {
      ctx.fillStyle = "#12302a";
      ctx.fillRect(0, 0, canvas.width, canvas.height);
      canvas.dataset.frame = String(frame ?? "");
    } else {
      this.onFrame(this.at, this.frames.length, this.time, true);
      return; // on its way; the frame before stays
    }
    if (this.options.overlay) drawOverlay(ctx, shot, this.time, this.options);
    this.onFrame(this.at, this.frames.length, this.time);
  }
}
