// The outlines over the photo: polyps as they hold, the machine's answer, what is being drawn.

const SVG = "http://www.w3.org/2000/svg";
const MOUTH_PX = 6;
const TEXT_PX = 15;

function made(name, values = {}, ...inside) {
  const one = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(values)) one.setAttribute(key, value);
  one.append(...inside);
  return one;
}

const path = (points, closed = true) =>
  points.length ? `M${points.map(([x, y]) => `${x} ${y}`).join("L")}${closed ? "Z" : ""}` : "";

/** Dark below, bright above: seen on any ground. */
const line = (kind, d) => [made("path", { class: "casing", d }), made("path", { class: kind, d })];

export class Drawing {
  constructor(svg, zoom) {
    this.zoom = zoom;
    const layers = ["machine", "polyps", "names", "trail", "cross"];
    for (const one of layers) this[one] = svg.appendChild(made("g", { class: one }));
    this.machine.setAttribute("visibility", "hidden");
    this.cross.append(...["casing", "rim"].map((kind) => made("path", { class: kind })));
    this.cross.setAttribute("visibility", "hidden");
  }

  ring([x, y], kind) {
    return [made("circle", { class: "casing", cx: x, cy: y, "data-r": MOUTH_PX }),
      made("circle", { class: kind, cx: x, cy: y, "data-r": MOUTH_PX })];
  }

  shapes(polyp, rim) {
    return [
      ...line(rim, path(polyp.outline)),
      ...polyp.wounds.flatMap((one) => line("wound", path(one))),
      ...polyp.mouths.flatMap((one) => this.ring(one, "mouth")),
    ];
  }

  showMachine(polyps) {
    if (this.asRead === polyps) return;
    this.asRead = polyps;
    this.machine.replaceChildren(...polyps.flatMap((one) => this.shapes(one, "rim")));
    this.rescale();
  }

  toggleMachine(on) {
    this.machine.setAttribute("visibility", on ? "visible" : "hidden");
    this.polyps.classList.toggle("faint", on);
  }

  show(polyps, nameOf, chosen, mouth) {
    this.polyps.replaceChildren(
      ...polyps.map((one) => {
        const kinds = ["polyp", one.label === chosen && "chosen", one.corrected && "corrected"];
        const values = { class: kinds.filter(Boolean).join(" "), "data-label": one.label };
        return made("g", values, ...this.shapes(one, "rim"));
      }),
    );
    this.names.replaceChildren(
      ...polyps.map((one) => {
        const name = made("text", { x: one.x, "text-anchor": "middle" });
        name.textContent = nameOf(one.label) + (one.corrected ? "*" : "");
        const down = one.outline.map((place) => place[1]);
        name.reach = [Math.min(...down), Math.max(...down)];
        return name;
      }),
    );
    if (mouth) {
      const [x, y] = mouth;
      this.polyps.append(made("circle", { class: "taken-up", cx: x, cy: y, "data-r": 2 * MOUTH_PX }));
    }
    this.rescale();
  }

  /** What is being drawn: points, and how. A broad line shows the width of the brush. */
  draw(points, { close = false, radius = 0, corners = false } = {}) {
    const parts = [];
    const d = points.length === 1 && radius ? `${path(points, false)}h0.01` : path(points, close);
    if (radius) parts.push(made("path", { class: "stroke", d, "stroke-width": 2 * radius }));
    else parts.push(...line("rim", d));
    if (corners) parts.push(...points.flatMap((one) => this.ring(one, "mouth")));
    this.trail.replaceChildren(...parts);
    this.rescale();
  }

  drawRound([x, y], r) {
    this.trail.replaceChildren(
      ...["casing", "rim"].map((kind) => made("circle", { class: kind, cx: x, cy: y, r })),
      ...this.ring([x, y], "mouth"),
    );
    this.rescale();
  }

  drawMouth(at) {
    this.trail.replaceChildren(...this.ring(at, "rim"));
    this.rescale();
  }

  clear() {
    this.trail.replaceChildren();
  }

  showCross(at) {
    this.cross.setAttribute("visibility", at ? "visible" : "hidden");
    if (!at) return;
    const [x, y] = at;
    const [gap, far] = [5 / this.zoom.scale, 18 / this.zoom.scale];
    const d = [[1, 0], [-1, 0], [0, 1], [0, -1]]
      .map(([dx, dy]) => `M${x + gap * dx} ${y + gap * dy}L${x + far * dx} ${y + far * dy}`)
      .join("");
    for (const one of this.cross.children) one.setAttribute("d", d);
  }

  /** Rings and writing keep their size on the screen, however near the photo is. */
  rescale() {
    const { svg, scale } = this.zoom;
    const names = [...this.names.children];
    const high = names.map(({ reach: [top, bottom] }) => (bottom - top) * scale).sort((a, b) => a - b);
    const disc = high[high.length >> 1] ?? 100;
    // On discs that are small on the screen neither may hide what lies under it.
    const ring = Math.min(1, Math.max(0.5, disc / 100));
    for (const one of svg.querySelectorAll("[data-r]")) {
      one.setAttribute("r", (ring * one.dataset.r) / scale);
    }
    const text = (disc < 60 ? 0.8 : 1) * TEXT_PX;
    for (const one of names) {
      const [top, bottom] = one.reach;
      const inside = (bottom - top) * scale > 4 * text;
      one.setAttribute("font-size", text / scale);
      one.setAttribute("y", bottom + ((inside ? -0.5 : 0.9) * text) / scale);
    }
  }
}
