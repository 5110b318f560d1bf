// Talking to the server. The page's own address carries the token; all calls are relative to it.

export class Refusal extends Error {}

async function reach(path, options = {}) {
  try {
    return await fetch(path, { credentials: "omit", ...options });
  } catch {
    throw new Refusal("The review program does not answer. Start `reboundry review` again and open its new address.");
  }
}

async function ask(path, options = {}) {
  const reply = await reach(path, options);
  const content = await reply.json().catch(() => ({ problem: `The program refused (${reply.status}).` }));
  if (!reply.ok) throw new Refusal(content.problem);
  return content;
}

const post = (path, body) =>
  ask(path, { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(body) });

const who = (reviewer, blind) => `reviewer=${encodeURIComponent(reviewer)}&blind=${blind ? 1 : 0}`;

export const overview = (reviewer, blind) => ask(`api/overview?${who(reviewer, blind)}`);
export const shot = (id, reviewer, blind) => ask(`api/shot/${id}?${who(reviewer, blind)}`);
export const frameAddress = (id, frame, reviewer, blind) => `api/shot/${id}/frame/${frame}.jpg?${who(reviewer, blind)}`;
export const decide = (shotId, reviewer, blind, decision, note) =>
  post("api/decide", { shot: shotId, reviewer, blind, decision, note });
export const undo = (reviewer) => post("api/undo", { reviewer });

/** A clip's picture of the table and which recording it is of, or the program's reason why there is none. */
export async function still(clip) {
  const reply = await reach(`api/clip/${clip}/picture.jpg?${Date.now()}`);
  if (!reply.ok) throw new Refusal(await reply.text());
  return { picture: await createImageBitmap(await reply.blob()), recording: reply.headers.get("x-recording") };
}
export const corners = (clip) => ask(`api/clip/${clip}/corners`);
export const previewCorners = (clip, points, recording) =>
  post(`api/clip/${clip}/preview`, { corners: points, recording });
export const saveCorners = (clip, points, all, held, recording) =>
  post(`api/clip/${clip}/corners`, { corners: points, all, held, recording });
export const measureAgain = () => post("api/measure", {});
export const measureState = () => ask("api/measure");
