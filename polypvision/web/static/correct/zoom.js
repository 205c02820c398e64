// Which part of the photo is seen, and how sharp: scaled pictures first, sharp pieces when near.

const SVG = "http://www.w3.org/2000/svg";
const NEAREST = 6; // Screen pixels for one of the photo's.
const PIECES_KEPT = 80;

export class Zoom {
  constructor(board, svg, { sha256, width, height, widths, piece }) {
    Object.assign(this, { board, svg, sha256, width, height, widths, piece });
    [this.x, this.y, this.scale, this.room] = [0, 0, 1, [1, 1]];
    this.pieces = new Map();
    this.onChange = () => {};
    this.photo = document.createElementNS(SVG, "g");
    this.base = this.image(-0.5, -0.5, width, height);
    this.photo.append(this.base);
    svg.prepend(this.photo);
    new ResizeObserver(() => this.resize()).observe(board);
  }

  image(x, y, width, height) {
    const made = document.createElementNS(SVG, "image");
    for (const [key, value] of Object.entries({ x, y, width, height })) made.setAttribute(key, value);
    made.setAttribute("preserveAspectRatio", "none");
    return made;
  }

  get smallest() {
    return Math.min(this.room[0] / this.width, this.room[1] / this.height);
  }

  resize() {
    const { clientWidth, clientHeight } = this.board;
    if (!clientWidth || !clientHeight) return;
    const [cx, cy] = this.middle();
    const first = this.room[0] === 1;
    this.room = [clientWidth, clientHeight];
    if (first) this.whole();
    else this.show(cx, cy, Math.max(this.scale, this.smallest));
  }

  middle() {
    return [this.x + this.room[0] / this.scale / 2, this.y + this.room[1] / this.scale / 2];
  }

  whole() {
    this.show(this.width / 2, this.height / 2, this.smallest);
  }

  /** Show a place of the photo in the middle. */
  show(cx, cy, scale) {
    this.scale = Math.min(NEAREST, Math.max(this.smallest, scale));
    const seen = [this.room[0] / this.scale, this.room[1] / this.scale];
    const held = (low, span, all) =>
      span >= all ? (all - span) / 2 : Math.min(all - span, Math.max(0, low));
    this.x = held(cx - seen[0] / 2, seen[0], this.width);
    this.y = held(cy - seen[1] / 2, seen[1], this.height);
    this.svg.setAttribute("viewBox", `${this.x - 0.5} ${this.y - 0.5} ${seen[0]} ${seen[1]}`);
    this.sharpen();
    this.onChange();
  }

  /** Nearer or farther, the place [px, py] of the photo staying where it is on the screen. */
  by(factor, [px, py] = this.middle()) {
    const scale = Math.min(NEAREST, Math.max(this.smallest, this.scale * factor));
    const [cx, cy] = this.middle();
    const kept = this.scale / scale;
    this.show(px + (cx - px) * kept, py + (cy - py) * kept, scale);
  }

  /** Move by screen pixels. */
  pan(dx, dy) {
    const [cx, cy] = this.middle();
    this.show(cx - dx / this.scale, cy - dy / this.scale, this.scale);
  }

  /** Bring a place into sight, and near enough if it is that of something so large. */
  bring([px, py], span = 0) {
    const margin = 30 / this.scale;
    const seen = [this.room[0] / this.scale, this.room[1] / this.scale];
    const near = span && this.scale * span < 0.2 * Math.min(...this.room);
    const hidden =
      px < this.x + margin || px > this.x + seen[0] - margin ||
      py < this.y + margin || py > this.y + seen[1] - margin;
    if (near) this.show(px, py, (0.4 * Math.min(...this.room)) / span);
    else if (hidden) this.show(px, py, this.scale);
  }

  /** The place of the photo under a place of the window. */
  at(clientX, clientY) {
    const box = this.svg.getBoundingClientRect();
    return [
      this.x + (clientX - box.left) / this.scale - 0.5,
      this.y + (clientY - box.top) / this.scale - 0.5,
    ];
  }

  within([x, y]) {
    const held = (value, all) => Math.min(all - 0.5, Math.max(-0.5, value));
    return [held(x, this.width), held(y, this.height)];
  }

  sharpen() {
    const wanted = this.width * this.scale * (window.devicePixelRatio || 1);
    const widths = this.widths.filter((one) => one < this.width);
    const best = this.widths.find((one) => one >= Math.min(wanted, this.width)) ?? this.widths.at(-1);
    if (!this.have || best > this.have) {
      this.have = best;
      this.base.setAttribute("href", `/photos/${this.sha256}/scaled/${best}.jpg`);
    }
    const sharpest = this.widths.at(-1);
    if (widths.length === this.widths.length && wanted > 1.2 * sharpest) this.lay();
  }

  /** Lay the sharp pieces that are seen. */
  lay() {
    const [columns, rows] = [this.width, this.height].map((all) => Math.ceil(all / this.piece));
    const span = (low, long, n) => [
      Math.max(0, Math.floor(low / this.piece)),
      Math.min(n - 1, Math.floor((low + long) / this.piece)),
    ];
    const [left, right] = span(this.x, this.room[0] / this.scale, columns);
    const [top, bottom] = span(this.y, this.room[1] / this.scale, rows);
    for (let row = top; row <= bottom; row++) {
      for (let column = left; column <= right; column++) this.layOne(column, row);
    }
    for (const [key, one] of this.pieces) {
      if (this.pieces.size <= PIECES_KEPT) break;
      one.remove();
      this.pieces.delete(key);
    }
  }

  layOne(column, row) {
    const key = `${column}-${row}`;
    const known = this.pieces.get(key);
    // The one asked for last is thrown out last.
    this.pieces.delete(key);
    if (known) {
      this.pieces.set(key, known);
      return;
    }
    const [x, y] = [column * this.piece, row * this.piece];
    const wide = Math.min(this.piece, this.width - x);
    const made = this.image(x - 0.5, y - 0.5, wide, Math.min(this.piece, this.height - y));
    made.setAttribute("href", `/photos/${this.sha256}/pieces/${key}.jpg`);
    // Refused or lost, the scaled picture beneath is still there.
    made.addEventListener("error", () => made.remove());
    this.photo.append(made);
    this.pieces.set(key, made);
  }
}
