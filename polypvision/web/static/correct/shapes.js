// Outlines and lines as lists of [x, y] in the photo's pixels.

export const away = (a, b) => Math.hypot(a[0] - b[0], a[1] - b[1]);

/** Is a place inside an outline? (Ray casting.) */
export function inside([x, y], outline) {
  let within = false;
  for (let i = 0, j = outline.length - 1; i < outline.length; j = i++) {
    const [xi, yi] = outline[i];
    const [xj, yj] = outline[j];
    if (yi > y !== yj > y && x < ((xj - xi) * (y - yi)) / (yj - yi) + xi) within = !within;
  }
  return within;
}

export function size(outline) {
  let twice = 0;
  for (let i = 0, j = outline.length - 1; i < outline.length; j = i++) {
    twice += outline[j][0] * outline[i][1] - outline[i][0] * outline[j][1];
  }
  return Math.abs(twice) / 2;
}

function offLine(point, a, b) {
  const long = away(a, b);
  if (!long) return away(point, a);
  const part = ((point[0] - a[0]) * (b[0] - a[0]) + (point[1] - a[1]) * (b[1] - a[1])) / long ** 2;
  const at = Math.min(1, Math.max(0, part));
  return away(point, [a[0] + at * (b[0] - a[0]), a[1] + at * (b[1] - a[1])]);
}

/** Leave out points that lie nearer than this to the line without them (Douglas and Peucker 1973). */
export function thinned(line, within) {
  const keep = new Set([0, line.length - 1]);
  const open = [[0, line.length - 1]];
  while (open.length) {
    const [first, last] = open.pop();
    let most = within;
    let at = -1;
    for (let i = first + 1; i < last; i++) {
      const off = offLine(line[i], line[first], line[last]);
      if (off > most) [most, at] = [off, i];
    }
    if (at < 0) continue;
    keep.add(at);
    open.push([first, at], [at, last]);
  }
  return line.filter((_, i) => keep.has(i));
}

function crossing(a, b, c, d) {
  const r = [b[0] - a[0], b[1] - a[1]];
  const s = [d[0] - c[0], d[1] - c[1]];
  const by = r[0] * s[1] - r[1] * s[0];
  if (!by) return null;
  const t = ((c[0] - a[0]) * s[1] - (c[1] - a[1]) * s[0]) / by;
  const u = ((c[0] - a[0]) * r[1] - (c[1] - a[1]) * r[0]) / by;
  return t > 0 && t < 1 && u > 0 && u < 1 ? [a[0] + t * r[0], a[1] + t * r[1]] : null;
}

/** A line drawn once round, as an outline: a finger that ran past its own beginning is cut there. */
export function closed(line) {
  const n = line.length;
  for (let i = 0; i < n / 3; i++) {
    for (let j = n - 2; j > (2 * n) / 3 && j > i + 1; j--) {
      const at = crossing(line[i], line[i + 1], line[j], line[j + 1]);
      if (at) return [at, ...line.slice(i + 1, j + 1)];
    }
  }
  return line;
}

const nearest = (point, outline) => {
  let best = 0;
  outline.forEach((one, i) => {
    if (away(one, point) < away(outline[best], point)) best = i;
  });
  return best;
};

/** Points of an outline from one to another, onwards. */
const stretch = (outline, from, to) =>
  from <= to ? outline.slice(from, to + 1) : [...outline.slice(from), ...outline.slice(0, to + 1)];

const meanAway = (points, line) =>
  points.reduce((sum, one) => sum + away(one, line[nearest(one, line)]), 0) / points.length;

/** An outline with points so near each other that a line may join it anywhere. */
function dense(outline) {
  const step = Math.max(1, Math.sqrt(size(outline)) / 60);
  return outline.flatMap((a, i) => {
    const b = outline[(i + 1) % outline.length];
    const n = Math.max(1, Math.ceil(away(a, b) / step));
    return Array.from({ length: n }, (_, k) => [
      a[0] + ((b[0] - a[0]) * k) / n,
      a[1] + ((b[1] - a[1]) * k) / n,
    ]);
  });
}

/** A line from where it first meets an outline to where it last does. */
function trimmed(line, outline) {
  const met = [];
  for (let i = 0; i + 1 < line.length; i++) {
    const found = outline
      .map((c, j) => crossing(line[i], line[i + 1], c, outline[(j + 1) % outline.length]))
      .filter(Boolean)
      .sort((p, q) => away(p, line[i]) - away(q, line[i]));
    met.push(...found.map((at) => ({ i, at })));
  }
  if (!met.length) return line;
  const [first, last] = [met[0], met.at(-1)];
  if (met.length > 1) return [first.at, ...line.slice(first.i + 1, last.i + 1), last.at];
  // Met once: the end nearer to that place is cut off.
  return first.i < line.length / 2
    ? [first.at, ...line.slice(first.i + 1)]
    : [...line.slice(0, first.i + 1), first.at];
}

/** An outline of which the stretch nearest to a drawn line runs along that line instead. */
export function withMargin(old, drawn) {
  if (inTheRound(drawn)) return closed(drawn);
  const outline = dense(old);
  const line = trimmed(drawn, outline);
  const a = nearest(line[0], outline);
  const b = nearest(line.at(-1), outline);
  if (a === b) return closed(line);
  const there = stretch(outline, a, b);
  const back = stretch(outline, b, a);
  // What is left loses its ends; those of the line stand there.
  return meanAway(there, line) <= meanAway(back, line)
    ? [...back.slice(1, -1), ...line]
    : [...there.slice(1, -1), ...[...line].reverse()];
}

/** Does a line come back to where it began? */
function inTheRound(line) {
  let long = 0;
  for (let i = 1; i < line.length; i++) long += away(line[i - 1], line[i]);
  return line.length > 3 && away(line[0], line.at(-1)) < 0.15 * long;
}
