// The list of shots with its filters, and how far reviewers agree.

import { element, MARKS } from "./cards.js";

const TAGS = { accept: "accepted", reject: "rejected", skip: "skipped" };
const byId = (id) => document.getElementById(id);

export function filters() {
  return { verdict: byId("filter-verdict").value, decision: byId("filter-decision").value, text: byId("filter-text").value.trim().toLowerCase() };
}

export function passes(shot, { verdict, decision, text }) {
  if (verdict && shot.verdict !== verdict) return false;
  if (decision === "open" ? shot.decision : decision && shot.decision !== decision) return false;
  if (!text) return true;
  const words = [shot.pattern, shot.kind, shot.speed_class, shot.name, shot.note, ...Object.entries(shot.conditions).flat()];
  return words.join(" ").toLowerCase().includes(text);
}

export function drawList(shots, current, choose) {
  const list = byId("shot-list");
  const scrolled = [list.scrollTop, list.scrollLeft];
  const focused = list.contains(document.activeElement) ? document.activeElement.dataset.id : null;
  const shown = shots.filter((shot) => passes(shot, filters()));
  list.replaceChildren(...shown.map((shot) => entry(shot, shot.id === current, choose)));
  byId("list-empty").hidden = shown.length > 0;
  [list.scrollTop, list.scrollLeft] = scrolled;
  if (focused) list.querySelector(`[data-id="${focused}"]`)?.focus({ preventScroll: true }); // who goes by keys stays there
  list.querySelector("[aria-current=true]")?.scrollIntoView({ block: "nearest", inline: "nearest" });
}

function entry(shot, isCurrent, choose) {
  const decided = TAGS[shot.decision] ?? "";
  const conditions = Object.values(shot.conditions).join(", ");
  const sub = [shot.pattern || shot.kind, shot.speed_class, shot.impact_mps == null ? "" : `${shot.impact_mps.toFixed(2)} m/s`, conditions].filter(Boolean).join(", ");
  const button = element("button", { type: "button", "data-id": shot.id, "aria-current": String(isCurrent) },
    element("span", { class: `mark ${shot.verdict}`, "aria-hidden": "true" }, MARKS[shot.verdict] ?? ""),
    element("span", {}, shot.name || `Shot ${shot.number}`, element("span", { class: "unseen" }, `, ${shot.verdict}`)),
    decided ? element("span", { class: `tag ${shot.decision === "accept" ? "clean" : shot.decision === "reject" ? "mishit" : "unusable"}` }, decided) : "",
    element("span", { class: "sub" }, sub));
  button.addEventListener("click", () => choose(shot.id));
  return element("li", {}, button);
}

export function drawAgreement(pairs) {
  const box = byId("agreement");
  box.hidden = pairs.length === 0;
  box.replaceChildren(element("h2", {}, "Agreement"), ...pairs.map((pair) => {
    const kappa = pair.kappa == null ? "kappa not defined yet" : `Cohen's kappa ${pair.kappa.toFixed(2)}`;
    return element("p", {}, `${pair.first} and ${pair.second}: ${pair.agreed} of ${pair.shots} alike, ${kappa}`);
  }));
}
