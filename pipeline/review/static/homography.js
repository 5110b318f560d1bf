// The map that carries four points to four others, for marks that follow a corner while it is dragged.

/** 3 x 3 as nine numbers, or null where three points lie on a line. */
export function homography(from, to) {
  const rows = [];
  from.forEach(([x, y], i) => {
    const [u, v] = to[i];
    rows.push([x, y, 1, 0, 0, 0, -u * x, -u * y, u]);
    rows.push([0, 0, 0, x, y, 1, -v * x, -v * y, v]);
  });
  for (let k = 0; k < 8; k += 1) { // Gauss with row exchange
    let best = k;
    for (let i = k + 1; i < 8; i += 1) if (Math.abs(rows[i][k]) > Math.abs(rows[best][k])) best = i;
    if (Math.abs(rows[best][k]) < 1e-9) return null;
    [rows[k], rows[best]] = [rows[best], rows[k]];
    for (let i = 0; i < 8; i += 1) {
      if (i === k) continue;
      const share = rows[i][k] / rows[k][k];
      for (let j = k; j < 9; j += 1) rows[i][j] -= share * rows[k][j];
    }
  }
  return [...rows.map((row, i) => row[8] / row[i]), 1];
}

export function apply(h, [x, y]) {
  const w = h[6] * x + h[7] * y + h[8];
  return [(h[0] * x + h[1] * y + h[2]) / w, (h[3] * x + h[4] * y + h[5]) / w];
}
