// The page: what is chosen, what is shown, what a key or a button does.

import * as api from "./api.js";
import { numbersCard, verdictCard } from "./cards.js";
import { Corners } from "./corners.js";
import { diagram, place, words } from "./diagram.js";
import { drawAgreement, drawList, filters, passes } from "./list.js";
import { Player } from "./player.js";

const byId = (id) => document.getElementById(id);
const NOBODY = "reviewer"; // who decides before a name is given
const DONE = { accept: "accepted", reject: "rejected", skip: "skipped" };
const kept = { // of this tab and this start of the program; a refused store only means that it is asked again
  get: (key) => { try { return sessionStorage.getItem(location.pathname + key); } catch { return null; } },
  set: (key, value) => { try { sessionStorage.setItem(location.pathname + key, value); } catch { /* not kept */ } },
};

const state = { reviewer: kept.get("reviewer") ?? NOBODY, blind: true, shots: [], shot: null, drawing: null, problem: "", drafts: new Map() };

const player = new Player(byId("picture"), {
  onFrame(at, count, t, waiting = false) {
    byId("waiting").hidden = !waiting;
    byId("scrub").max = String(Math.max(0, count - 1));
    byId("scrub").value = String(at);
    const start = state.shot?.events.find((event) => event.kind === "strike")?.t_s ?? 0;
    const after = t - start;
    byId("clock").textContent = `${after < -0.0005 ? "−" : "+"}${Math.abs(after).toFixed(3)} s, frame ${state.shot?.frames[at]?.[0] ?? ""}`;
    byId("curtain").hidden = !(state.shot?.hidden && (at >= count - 1 || t > state.shot.clear_until_s));
    if (state.drawing) place(state.drawing, state.shot, t);
    for (const button of byId("events").children) button.setAttribute("aria-current", String(Number(button.dataset.at) === at));
  },
  onState(playing) { byId("play").textContent = playing ? "Stop" : "Play"; },
});

const corners = new Corners({ say, fail, measured: () => inTurn(() => reload()) });

function say(text) { byId("live").textContent = text; }

function fail(error) {
  const box = byId("message");
  box.hidden = !error;
  box.textContent = error ? error.message : "";
}

// ---------------------------------------------------------------- in turn

let turn = Promise.resolve();
let failures = 0;

/** Do what was asked once all that was asked before is done: a decision is about the shot that was chosen last, however
 * late the server answers. What was asked before a failure could be seen is not done after it. */
function inTurn(act) {
  const seen = failures;
  turn = turn.then(async () => {
    if (seen !== failures) return;
    try {
      await act();
      fail(state.problem ? new Error(state.problem) : null);
    } catch (error) {
      failures += 1;
      showWho(); // a change of name that was asked meanwhile isn't done
      fail(error);
    }
  });
  return turn;
}

// ---------------------------------------------------------------- loading

async function reload(keep = state.shot?.id) {
  const view = await api.overview(state.reviewer, state.blind);
  state.shots = view.shots;
  state.problem = view.problem;
  document.title = view.session ? `${view.session}: review` : "Review of shots";
  byId("title").textContent = view.session || "Review";
  byId("progress").textContent = `${view.decided} of ${view.shots.length} decided`;
  byId("reviewers").replaceChildren(...view.reviewers.map((name) => Object.assign(document.createElement("option"), { value: name })));
  drawAgreement(view.agreement);
  corners.setClips(view.clips);
  const next = state.shots.find((shot) => shot.id === keep) ?? state.shots.find((shot) => !shot.decision) ?? state.shots[0];
  if (next) await open(next.id);
}

async function open(id) {
  player.leave();
  const shot = await api.shot(id, state.reviewer, state.blind);
  state.shot = shot;
  kept.set("shot", id);
  drawList(state.shots, id, choose);
  byId("verdict").replaceChildren(...verdictCard(shot));
  byId("numbers-card").replaceChildren(...numbersCard(shot));
  byId("diagram-words").textContent = words(shot);
  state.drawing = shot.table ? diagram(shot) : null;
  byId("diagram").replaceChildren(...(state.drawing ? [state.drawing.svg] : []));
  byId("no-picture").hidden = !shot.no_pictures;
  byId("no-picture").textContent = shot.no_pictures;
  byId("note").value = state.drafts.get(draft(id)) ?? listed(id)?.note ?? "";
  standing(shot);
  player.show(shot, state.reviewer, state.blind);
  eventButtons(shot);
  player.draw();
}

const listed = (id) => state.shots.find((shot) => shot.id === id);
const draft = (id, reviewer = state.reviewer) => `${reviewer}\n${id}`; // under which a note is kept until it is sent

function choose(id) { // from the list: on to the clip, so that Space plays it
  byId("stage").focus({ preventScroll: true });
  inTurn(() => open(id));
}

function standing(shot) {
  const decision = shot.decision;
  byId("accept").setAttribute("aria-pressed", String(decision?.decision === "accept"));
  byId("reject").setAttribute("aria-pressed", String(decision?.decision === "reject"));
  const others = shot.others.map((other) => `${other.reviewer}: ${other.decision}`).join(", ");
  const own = decision ? `${decision.decision === "accept" ? "Accepted" : "Rejected"} by ${decision.reviewer}${decision.blind ? ", blind" : ", not blind"}.` : "Not decided yet.";
  byId("standing").textContent = [[own, others].filter(Boolean).join(" Others: "), atTheEnd(shot.id)].filter(Boolean).join(" ");
}

function eventButtons(shot) {
  const labels = { strike: "strike", ball: "hit", cushion: "cushion", jaw: "jaw", pocket: "pocket", rest: "rest" };
  byId("events").replaceChildren(...shot.events.filter((event) => event.t_s <= (shot.frames.at(-1)?.[1] ?? 0) + 0.05).map((event) => {
    const at = player.frameAt(event.t_s);
    const where = event.kind === "ball" ? `${event.ball} on ${event.other}` : event.kind === "cushion" ? `${event.ball}, ${event.other}` : event.ball;
    const button = Object.assign(document.createElement("button"), { type: "button", textContent: event.kind === "strike" ? "strike" : `${labels[event.kind] ?? event.kind}: ${where}` });
    button.dataset.at = String(at);
    button.addEventListener("click", () => { player.stop(); player.go(at); });
    return button;
  }));
}

// ---------------------------------------------------------------- deciding

async function decide(decision) {
  if (!state.shot) return;
  const { id } = state.shot;
  const key = draft(id);
  const note = state.drafts.get(key) ?? null; // null: as it stands
  state.drafts.delete(key); // what is typed from here on is not sent yet
  let saved;
  try {
    ({ saved } = await api.decide(id, state.reviewer, state.blind, decision, note));
  } catch (error) {
    if (note !== null && !state.drafts.has(key)) state.drafts.set(key, note);
    throw error;
  }
  const { number, decision: stood } = listed(id) ?? {};
  const skipped = decision === "skip";
  // the outcome of an accepted or rejected shot may now be seen; skipping goes straight on
  const next = skipped ? after(id) : id;
  await reload(next);
  const stays = skipped && DONE[stood] && stood !== "skip";
  const words = stays ? `Shot ${number} stays ${DONE[stood]}${saved ? "; its note is saved" : ""}.` : `Shot ${number} ${DONE[decision]} and saved.`;
  say([words, skipped && next === id && atTheEnd(id)].filter(Boolean).join(" "));
}

async function go(by) {
  if (!state.shot) return;
  const { id } = state.shot;
  const next = after(id, by);
  await open(next);
  if (next === id && by > 0) say(atTheEnd(id));
}

/** What to say where the last shot of the list is on show. */
function atTheEnd(id) {
  if (after(id) !== id) return "";
  const still = state.shots.filter((shot) => shot.decision !== "accept" && shot.decision !== "reject").length;
  return still ? `Last shot; ${still} still open.` : "Last shot; all are decided.";
}

async function undo() {
  const { shot } = await api.undo(state.reviewer);
  await reload(shot ?? undefined);
  say(shot ? "Last decision taken back." : "Nothing to take back.");
}

function after(id, by = 1) {
  const shown = state.shots.filter((shot) => shot.id === id || passes(shot, filters()));
  const at = shown.findIndex((shot) => shot.id === id);
  return shown[at + by]?.id ?? id;
}

const asked = {
  accept: () => inTurn(() => decide("accept")),
  reject: () => inTurn(() => decide("reject")),
  skip: () => inTurn(() => decide("skip")),
  undo: () => inTurn(undo),
  go: (by) => inTurn(() => go(by)),
};

// ---------------------------------------------------------------- buttons and keys

function view(name) {
  const cornersShown = name === "corners";
  byId("shots-view").hidden = cornersShown;
  byId("corners-view").hidden = !cornersShown;
  byId("view-shots").setAttribute("aria-pressed", String(!cornersShown));
  byId("view-corners").setAttribute("aria-pressed", String(cornersShown));
  player.stop();
  if (cornersShown) corners.open();
}

const set = (id, on) => { byId(id).checked = on; player.options[id] = on; player.draw(); };
const speed = (value) => { byId("speed").value = String(value); player.speed = Number(value); };

const keys = {
  " ": () => player.toggle(),
  ArrowLeft: (event) => (event.shiftKey ? player.jump(-1) : player.step(-1)),
  ArrowRight: (event) => (event.shiftKey ? player.jump(1) : player.step(1)),
  a: asked.accept, r: asked.reject, s: asked.skip, u: asked.undo,
  n: () => byId("note").focus(), j: () => asked.go(1), k: () => asked.go(-1),
  p: () => set("overlay", !byId("overlay").checked), m: () => set("numbers", !byId("numbers").checked),
  1: () => speed(1), 2: () => speed(0.5), 3: () => speed(0.25), 4: () => speed(0.1),
  "?": () => byId("help").showModal(),
};

document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey || byId("help").open || byId("shots-view").hidden) return;
  const typing = event.target.matches("input:not([type=range]):not([type=checkbox]), select, textarea");
  if (event.key === "Escape" || (event.key === "Enter" && event.target.id === "note")) { event.target.blur(); return; }
  if (typing) return;
  if (event.key === " " && event.target.matches("button, summary, input[type=checkbox]")) return; // the control's own
  const act = keys[event.key.length === 1 ? event.key.toLowerCase() : event.key];
  if (!act) return;
  event.preventDefault();
  if (event.repeat && "arsujk".includes(event.key.toLowerCase())) return; // held down: asked once
  act(event);
});

const on = (id, kind, act) => byId(id).addEventListener(kind, act);
on("play", "click", () => player.toggle());
on("step-back", "click", () => player.step(-1));
on("step-on", "click", () => player.step(1));
on("previous-event", "click", () => player.jump(-1));
on("next-event", "click", () => player.jump(1));
on("scrub", "input", () => { player.stop(); player.go(Number(byId("scrub").value)); });
on("speed", "change", () => speed(byId("speed").value));
on("overlay", "change", () => set("overlay", byId("overlay").checked));
on("numbers", "change", () => set("numbers", byId("numbers").checked));
for (const id of ["accept", "reject", "skip", "undo"]) on(id, "click", asked[id]);
on("note", "input", () => { if (state.shot) state.drafts.set(draft(state.shot.id), byId("note").value); });
on("help-open", "click", () => byId("help").showModal());
on("view-shots", "click", () => view("shots"));
on("view-corners", "click", () => view("corners"));
for (const id of ["filter-verdict", "filter-decision", "filter-text"]) on(id, "input", () => drawList(state.shots, state.shot?.id, choose));
on("reviewer", "change", () => {
  const name = byId("reviewer").value.trim() || NOBODY;
  byId("reviewer").value = name;
  inTurn(() => {
    const before = state.shot && draft(state.shot.id);
    if (state.reviewer === NOBODY && state.drafts.has(before)) { // typed by who now gives a name
      state.drafts.set(draft(state.shot.id, name), state.drafts.get(before));
      state.drafts.delete(before);
    }
    const same = name === state.reviewer;
    state.reviewer = name;
    kept.set("reviewer", name);
    return same ? reload() : reload(null); // to the first that is open in their own order
  });
});
on("blind", "change", () => {
  const blind = byId("blind").checked;
  inTurn(() => { state.blind = blind; kept.set("blind", blind ? "1" : "0"); return reload(); });
});

function showWho() {
  byId("reviewer").value = state.reviewer;
  byId("blind").checked = state.blind;
}

async function start() {
  showWho();
  const view = await api.overview(state.reviewer, true);
  const chosen = kept.get("blind");
  state.blind = chosen === null ? view.starts_blind : chosen === "1";
  showWho();
  await reload(kept.get("shot") ?? undefined);
}

inTurn(start).then(() => { document.body.dataset.ready = "yes"; });
