// The fitted paths, contacts and numbers drawn over a frame. Colours of Okabe and Ito, with outlines and dashes besides.

export const COLOURS = { cue: "#ffffff", object: "#e69f00", other: "#56b4e9" };
const DASHES = { cue: [], object: [14, 7], other: [4, 6] };

export const colourOf = (ball) => COLOURS[ball] ?? COLOURS.other;
export const dashOf = (ball) => DASHES[ball] ?? DASHES.other;

/** Draw up to time t. `size` scales lines and letters to the picture. */
export function drawOverlay(ctx, shot, t, { numbers }) {
  const size = Math.max(0.8, ctx.canvas.width / (ctx.canvas.clientWidth || 900)); // as large on a small screen
  const radius = shot.picture?.ball_px ?? 10;
  ctx.lineJoin = ctx.lineCap = "round";
  for (const [ball, points] of Object.entries(shot.paths)) drawPath(ctx, ball, points, t, size, radius);
  for (const event of shot.events) if (event.px && event.t_s <= t + 1e-6) drawEvent(ctx, event, size, radius);
  if (numbers) drawNumbers(ctx, shot, t, size, radius);
}

function drawPath(ctx, ball, points, t, size, radius) {
  const path = new Path2D();
  let last = null;
  for (const point of points) {
    if (point[0] > t + 1e-6) break;
    if (last) path.lineTo(point[3], point[4]);
    else path.moveTo(point[3], point[4]);
    last = point;
  }
  if (!last) return;
  ctx.setLineDash([]);
  stroke(ctx, path, "rgb(0 0 0 / .55)", 4.5 * size);
  ctx.setLineDash(dashOf(ball).map((n) => n * size));
  stroke(ctx, path, colourOf(ball), 2.2 * size);
  ctx.setLineDash([]);
  if (t - last[0] > 0.25) return; // gone: in a pocket or behind somebody
  const ring = new Path2D();
  ring.arc(last[3], last[4], radius, 0, 2 * Math.PI);
  stroke(ctx, ring, "rgb(0 0 0 / .55)", 3.6 * size);
  if (!last[5]) ctx.setLineDash([3 * size, 3 * size]); // hidden here: bridged
  stroke(ctx, ring, colourOf(ball), 1.8 * size);
  ctx.setLineDash([]);
}

function stroke(ctx, path, colour, width) {
  ctx.strokeStyle = colour;
  ctx.lineWidth = width;
  ctx.stroke(path);
}

function drawEvent(ctx, event, size) {
  const [x, y] = event.px;
  const r = 6 * size;
  const sign = new Path2D();
  if (event.kind === "cushion" || event.kind === "jaw") {
    sign.rect(x - r, y - r, 2 * r, 2 * r);
  } else if (event.kind === "ball") {
    sign.moveTo(x - r, y - r); sign.lineTo(x + r, y + r);
    sign.moveTo(x + r, y - r); sign.lineTo(x - r, y + r);
  } else if (event.kind === "pocket") {
    sign.arc(x, y, 1.6 * r, 0, 2 * Math.PI);
  } else return;
  stroke(ctx, sign, "rgb(0 0 0 / .6)", 4 * size);
  stroke(ctx, sign, "#cc79a7", 2 * size);
}

function drawNumbers(ctx, shot, t, size, radius) {
  const letters = [];
  for (const event of shot.events) {
    if (!event.px || event.t_s > t + 1e-6) continue;
    const banked = event.ball === shot.banked_ball;
    if (event.kind === "cushion" && banked && event.angle_in != null && event.angle_out != null) {
      letters.push([event.px, `${event.angle_in.toFixed(1)}° in, ${event.angle_out.toFixed(1)}° out`, "#cc79a7"]);
    } else if (event.kind === "strike" && event.speed_out != null) {
      letters.push([event.px, `${event.speed_out.toFixed(2)} m/s`, "#ffffff"]);
    } else if (event.kind === "ball" && event.speed_in != null) {
      letters.push([event.px, `${event.speed_in.toFixed(2)} m/s`, "#ffffff"]);
    }
  }
  const font = Math.round(15 * size);
  ctx.font = `600 ${font}px system-ui, sans-serif`;
  ctx.textBaseline = "middle";
  for (const [[x, y], words, colour] of letters) {
    const wide = ctx.measureText(words).width;
    const left = Math.min(Math.max(x + 1.4 * radius, 4), ctx.canvas.width - wide - 8);
    const top = Math.min(Math.max(y, font), ctx.canvas.height - font);
    ctx.fillStyle = "rgb(0 0 0 / .68)";
    ctx.fillRect(left - 4, top - font * 0.7, wide + 8, font * 1.4);
    ctx.fillStyle = colour;
    ctx.fillText(words, left, top);
  }
}
