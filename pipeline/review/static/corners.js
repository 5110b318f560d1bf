// Correcting the calibration: drag corners or nose lines over the picture, see sights and misses follow, save, measure again.

import * as api from "./api.js";
import { element } from "./cards.js";
import { Drafts } from "./drafts.js";
import { homography, apply } from "./homography.js";

const byId = (id) => document.getElementById(id);
const NAMES = ["head-right", "foot-right", "foot-left", "head-left"];
const EDGES = ["right", "foot", "left", "head"];
const SOURCES = { hand: "Corrected by hand.", session: "As given in session.toml.", picture: "As found in the picture." };
const OUTDATED = "Corners were corrected for another recording of this name; they are not used.";
const REPLACED = "The clip was replaced just now; \"As saved\" shows it as it is.";
const CHANGED = "Changed, not saved.";
const LOUPE = 180, ZOOM = 5;

export class Corners {
  constructor({ say, fail, measured }) {
    Object.assign(this, { say, fail, measured });
    this.canvas = byId("corner-picture");
    this.ctx = this.canvas.getContext("2d");
    this.clip = null;
    this.points = null; // four corners in px of the clip's picture
    this.marks = null; // what the server made of them last
    this.guessed = false; // whether they are but somewhere to start from
    this.drafts = new Drafts();
    this.clips = [];
    byId("corner-clip").addEventListener("change", () => this.open(Number(byId("corner-clip").value)));
    byId("corner-save").addEventListener("click", () => this.save(false));
    byId("corner-save-all").addEventListener("click", () => this.save(true));
    byId("corner-find").addEventListener("click", () => this.find());
    byId("corner-back").addEventListener("click", () => this.back());
    byId("measure-again").addEventListener("click", () => this.measure());
    new ResizeObserver(() => this.placeHandles()).observe(this.canvas);
    this.makeHandles();
  }

  get draft() { return this.drafts.moved.get(this.clip); }

  get recording() { return this.drafts.held.get(this.clip)?.recording; } // that the points are of

  setClips(clips) {
    this.clips = clips;
    byId("corner-clip").replaceChildren(...clips.map((clip) => element("option", { value: clip.index }, clip.name)));
    byId("corner-clip").value = String(this.clip ?? 0); // the one whose picture is on show
  }

  async open(clip = this.clip) {
    if (clip === null) { await this.openFirst(); return; }
    if (clip === this.clip && this.draft) return; // back from the shots: what was dragged is still there to be saved
    this.fail(await this.load(clip));
  }

  async openFirst() { // the first clip that has a picture
    let first = null;
    for (const { index } of this.clips) {
      byId("corner-clip").value = String(index);
      const error = await this.load(index);
      if (index !== this.clip) return; // another was chosen
      if (!error) { this.fail(null); return; }
      first ??= error;
    }
    this.fail(first);
  }

  /** Take up a clip's picture and corners; why it can't be done, else null. */
  async load(clip) {
    clearTimeout(this.timer); // a preview of the clip before
    this.clip = clip;
    this.points = this.marks = null;
    this.state("Loading the picture …");
    try {
      const [marks, { picture, recording }] = await Promise.all([api.corners(clip), api.still(clip)]);
      if (clip !== this.clip) return null;
      if (recording !== marks.recording) throw new api.Refusal(REPLACED);
      this.hide(false);
      this.picture = picture;
      this.canvas.width = picture.width;
      this.canvas.height = picture.height;
      this.drafts.shown(clip, marks);
      const { draft } = this;
      this.points = draft ? draft.points : null;
      this.take(marks);
      this.guessed = !this.points;
      if (this.guessed) this.points = this.somewhere();
      this.state(draft ? draft.words : marks.outdated ? `${SOURCES[marks.source]} ${OUTDATED}` : SOURCES[marks.source]);
      this.draw();
      if (draft) await this.preview();
      return null;
    } catch (error) {
      if (clip !== this.clip) return null;
      this.hide(true); // no picture of another clip under this one's name
      this.state("");
      return error;
    }
  }

  hide(hidden) {
    byId("corner-stage").hidden = byId("corner-numbers").hidden = hidden;
  }

  /** Drop what was moved; show what is kept now. */
  async back() {
    this.drafts.moved.delete(this.clip);
    await this.open(this.clip);
  }

  somewhere() { // no table was found: start with a frame to drag
    const [w, h] = [this.canvas.width, this.canvas.height];
    return [[0.1 * w, 0.9 * h], [0.9 * w, 0.9 * h], [0.9 * w, 0.1 * h], [0.1 * w, 0.1 * h]];
  }

  take(marks) {
    this.marks = marks;
    if (!marks.problem && marks.corners) {
      this.points ??= (marks.given ?? marks.corners).map((point) => [...point]); // given: to be kept, not its fit
      this.last = { corners: marks.corners, sights: marks.sights };
    }
    this.card();
  }

  async preview() {
    const asked = JSON.stringify(this.points);
    try {
      const marks = await api.previewCorners(this.clip, this.draft?.found ? null : this.points, this.recording);
      if (asked !== JSON.stringify(this.points)) return; // moved on since
      this.take(marks);
      this.draw();
      this.fail(null);
    } catch (error) {
      this.fail(error);
    }
  }

  later() {
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.preview(), 250);
  }

  async find() {
    if (!this.points) return; // the picture isn't there yet, or can't be read
    const { clip, points } = this;
    this.state("Looking for the table …");
    try {
      const marks = await api.previewCorners(clip, null, this.recording);
      if (clip !== this.clip || points !== this.points) return; // moved on since, if only as saved
      if (marks.problem) { this.state(marks.problem); return; }
      this.points = null;
      this.take(marks);
      this.guessed = false;
      const { byHand } = this.drafts.held.get(clip);
      const words = byHand ? `${SOURCES[marks.source]} Save to take a correction back.` : SOURCES[marks.source];
      if (byHand) this.drafts.moved.set(clip, { points: this.points, found: true, words });
      else this.drafts.moved.delete(clip); // it is what the program goes by anyway
      this.state(words);
      this.draw();
    } catch (error) {
      this.fail(error);
    }
  }

  async save(all) {
    if (!this.points) return; // the picture isn't there yet: nothing to save
    const { clip, draft } = this;
    if (!draft && this.guessed) { this.state("Not saved: drag the corners to their places first."); return; }
    if (!draft && !all) { this.state("Nothing changed, nothing to save."); return; }
    const points = draft?.found ? null : this.points;
    const { own, all: ofAll, recording } = this.drafts.held.get(clip);
    try {
      const reply = await api.saveCorners(clip, points, all, all ? ofAll : own, recording);
      this.drafts.saved(clip, draft, reply, points !== null);
      if (clip !== this.clip) return;
      const others = reply.left_out.length ? ` Not for ${reply.left_out.join(", ")}: their pictures have another size.` : "";
      const words = `Saved for ${reply.clips === 1 ? "this clip" : `${reply.clips} clips`}.${others} Measure again to use it.`;
      this.state(this.draft ? `${words} ${this.draft.words}` : words);
      this.say("Corners saved.");
    } catch (error) {
      if (clip === this.clip) this.state(error.message);
      else this.fail(error);
    }
  }

  async measure() {
    const open = this.clips.filter(({ index }) => this.drafts.moved.has(index)).map(({ name }) => name);
    if (open.length) { // it would be measured with other corners than those on show
      this.state(`Not measured: the corners of ${open.join(", ")} are changed, not saved. Save them, or drop the change with "As saved".`);
      return;
    }
    byId("measure-again").disabled = true;
    try {
      const { runs } = await api.measureAgain();
      this.state("Measuring again …");
      for (;;) {
        await new Promise((done) => setTimeout(done, 700));
        const state = await api.measureState();
        if (!state.running && state.runs > runs) {
          this.state(this.draft ? `${state.words} ${this.draft.words}` : state.words);
          this.say(state.words);
          await this.measured();
          break;
        }
      }
    } catch (error) {
      this.fail(error);
    }
    byId("measure-again").disabled = false;
  }

  state(words) { byId("corner-state").textContent = words; }

  // ---------------------------------------------------------------- drawing

  draw() {
    const { ctx, canvas, marks } = this;
    if (!this.picture) return;
    ctx.drawImage(this.picture, 0, 0);
    const size = Math.max(1, canvas.width / 1000);
    const current = marks && !marks.problem && same(marks.corners, this.points);
    ctx.lineWidth = 2 * size;
    ctx.strokeStyle = "#56b4e9";
    ctx.beginPath();
    const line = current ? marks.noses : [...this.points, this.points[0]]; // bent by the lens, or straight while dragging
    line.forEach(([x, y], i) => (i ? ctx.lineTo(x, y) : ctx.moveTo(x, y)));
    ctx.stroke();
    const sights = current ? marks.sights : this.guess();
    for (const [x, y] of sights) ring(ctx, x, y, 7 * size, "#e69f00", 2 * size);
    for (const { row, at } of marks?.found ?? []) {
      cross(ctx, at[0], at[1], 5 * size, "#ffffff", 1.6 * size);
      const expected = sights[row];
      if (!expected) continue;
      ctx.strokeStyle = "#d55e00";
      ctx.lineWidth = 2.4 * size;
      ctx.beginPath();
      ctx.moveTo(at[0], at[1]);
      ctx.lineTo(at[0] + 8 * (expected[0] - at[0]), at[1] + 8 * (expected[1] - at[1])); // eight times the miss
      ctx.stroke();
    }
    this.placeHandles();
  }

  guess() { // sights carried along by the corners' own map until the server has fitted the camera
    if (!this.last) return [];
    const map = homography(this.last.corners, this.points);
    return map ? this.last.sights.map((point) => apply(map, point)) : [];
  }

  card() {
    const marks = this.marks;
    const box = byId("corner-numbers");
    if (marks.problem) {
      box.replaceChildren(element("h2", {}, "No camera fits"), element("p", {}, marks.problem));
      return;
    }
    const rows = [marks.rms_px == null ? ["Residual", "corners by hand: no residual"] : ["Corners fit to", `${marks.rms_px.toFixed(2)} px rms`]];
    rows.push(["Sights seen", `${marks.found.length} of ${marks.sights.length}`]);
    if (marks.sights_rms_px != null) rows.push(["Sights miss by", `${marks.sights_rms_px.toFixed(2)} px rms`]);
    const worst = marks.found.reduce((most, one) => (one.miss_px > (most?.miss_px ?? 0) ? one : most), null);
    if (worst) rows.push(["Largest miss", `${worst.miss_px.toFixed(1)} px`]);
    rows.push(["Camera height", `${(marks.camera_height_mm / 1000).toFixed(2)} m`]);
    rows.push(["How", marks.how]);
    box.replaceChildren(
      element("h2", {}, "How well it fits"),
      element("table", { class: "measures" }, element("tbody", {}, ...rows.map(([name, value]) =>
        element("tr", {}, element("th", { scope: "row" }, name), element("td", {}, value))))),
      element("p", { class: "quiet" }, "Rings: where the sights should be. Crosses: sights seen; lines: their misses, eight times as long."),
      ...marks.warnings.map((warning) => element("p", {}, warning)));
  }

  // ---------------------------------------------------------------- handles

  makeHandles() {
    const box = byId("handles");
    this.handles = [];
    NAMES.forEach((name, i) => this.handles.push(this.handle(box, `Corner ${name}`, [i], "handle")));
    EDGES.forEach((name, i) => this.handles.push(this.handle(box, `Nose line ${name}`, [i, (i + 1) % 4], "handle edge")));
  }

  handle(box, label, which, looks) {
    const button = element("button", { type: "button", class: looks, "aria-label": label });
    button.addEventListener("keydown", (event) => {
      const step = event.shiftKey ? 10 : event.altKey ? 0.1 : 1;
      const move = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] }[event.key];
      if (!move) return;
      event.preventDefault();
      event.stopPropagation();
      this.move(which, move);
      this.say(`${label} at ${which.map((i) => this.points[i].map((v) => v.toFixed(1)).join(", ")).join(" and ")} pixels`);
    });
    button.addEventListener("pointerdown", (event) => {
      event.preventDefault();
      button.focus();
      button.setPointerCapture(event.pointerId);
      let before = this.toPicture(event);
      const drag = (e) => {
        const now = this.toPicture(e);
        this.move(which, [now[0] - before[0], now[1] - before[1]]);
        before = now;
        this.loupe(which);
      };
      const drop = () => {
        button.removeEventListener("pointermove", drag);
        byId("loupe").hidden = true;
      };
      button.addEventListener("pointermove", drag);
      button.addEventListener("pointerup", drop, { once: true });
      button.addEventListener("pointercancel", drop, { once: true });
    });
    box.append(button);
    return { button, which };
  }

  toPicture(event) {
    const place = this.canvas.getBoundingClientRect();
    return [((event.clientX - place.left) / place.width) * this.canvas.width, ((event.clientY - place.top) / place.height) * this.canvas.height];
  }

  move(which, [dx, dy]) {
    if (!this.points) return;
    this.points = this.points.map(([x, y], i) => (which.includes(i) ? [x + dx, y + dy] : [x, y]));
    this.drafts.moved.set(this.clip, { points: this.points, found: false, words: CHANGED });
    this.guessed = false;
    this.state(CHANGED);
    this.draw();
    this.later();
  }

  placeHandles() {
    if (!this.points || !this.canvas.width) return;
    const scale = this.canvas.clientWidth / this.canvas.width;
    for (const { button, which } of this.handles) {
      const [x, y] = which.map((i) => this.points[i]).reduce(([a, b], [c, d]) => [a + c / which.length, b + d / which.length], [0, 0]);
      button.style.left = `${x * scale}px`;
      button.style.top = `${y * scale}px`;
    }
  }

  loupe(which) {
    const glass = byId("loupe");
    const scale = this.canvas.clientWidth / this.canvas.width;
    const [x, y] = this.points[which[0]];
    const half = LOUPE / ZOOM / 2;
    const ctx = glass.getContext("2d");
    ctx.imageSmoothingEnabled = false;
    ctx.fillStyle = "#000";
    ctx.fillRect(0, 0, LOUPE, LOUPE);
    ctx.drawImage(this.picture, x - half, y - half, 2 * half, 2 * half, 0, 0, LOUPE, LOUPE);
    cross(ctx, LOUPE / 2, LOUPE / 2, 14, "#56b4e9", 2);
    glass.hidden = false;
    glass.style.left = `${Math.min(Math.max(x * scale + (x * scale > 260 ? -230 : 60), 0), this.canvas.clientWidth - LOUPE)}px`;
    glass.style.top = `${Math.min(Math.max(y * scale - 90, 0), this.canvas.clientHeight - LOUPE)}px`;
  }
}

const same = (a, b) => Boolean(a && b) && a.every((p, i) => Math.hypot(p[0] - b[i][0], p[1] - b[i][1]) < 6);

function ring(ctx, x, y, r, colour, width) {
  ctx.strokeStyle = colour;
  ctx.lineWidth = width;
  ctx.beginPath();
  ctx.arc(x, y, r, 0, 2 * Math.PI);
  ctx.stroke();
}

function cross(ctx, x, y, r, colour, width) {
  ctx.strokeStyle = colour;
  ctx.lineWidth = width;
  ctx.beginPath();
  ctx.moveTo(x - r, y); ctx.lineTo(x + r, y);
  ctx.moveTo(x, y - r); ctx.lineTo(x, y + r);
  ctx.stroke();
}
