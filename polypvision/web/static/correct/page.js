// The page on which a reading is put right: what is pressed, and what then happens.
import { Drawing } from "./draw.js";
import { hands } from "./hands.js";
import { listen } from "./keys.js";
import { buttonOf, hushBelow, showPanel, tellBelow } from "./panel.js";
import { serverOf } from "./server.js";
import { away } from "./shapes.js";
import { Reading } from "./state.js";
import { toolsOf } from "./tools.js";
import { Zoom } from "./zoom.js";

const find = (what) => document.querySelector(what);
const all = (what) => [...document.querySelectorAll(what)];
const desk = find(".right");
const board = find(".board");
const svg = board.querySelector("svg");
const given = desk.dataset;

const zoom = new Zoom(board, svg, {
  sha256: given.sha256,
  width: Number(given.width),
  height: Number(given.height),
  widths: given.widths.split(" ").map(Number),
  piece: Number(given.piece),
});
const drawing = new Drawing(svg, zoom);
const reading = new Reading(serverOf(given.sha256));
const brush = find(".brush select");

function say(words) {
  find(".said").textContent = words;
}

const tools = toolsOf({
  reading,
  zoom,
  drawing,
  say,
  open: (waits) => {
    find(".drawing").hidden = !waits;
  },
  brush: () => Number(brush.value),
});
const FIRST = { look: "look", mouth: "mouth", polyp: "round", wound: "paint", who: "look" };
let kind = "look";
let tool = "look";
let cross = null;

const hand = hands(board, zoom, () => tools[tool], (at) => {
  cross = at;
  drawing.showCross(at);
});
zoom.onChange = () => {
  drawing.rescale();
  drawing.showCross(cross);
};

function take(kindNow, toolNow = FIRST[kindNow]) {
  hand.lift();
  tools[tool].cancel();
  if (reading.mouth) reading.takeUp(null);
  [kind, tool] = [kindNow, toolNow];
  for (const one of all("[data-kind]")) one.setAttribute("aria-pressed", one.dataset.kind === kind);
  for (const one of all("[data-tool]")) one.setAttribute("aria-pressed", one.dataset.tool === tool);
  for (const one of all(".ways")) one.hidden = one.dataset.of !== kind;
  desk.dataset.now = kind;
  find(".hint").textContent =
    kind === "who" ? "Tap a polyp, then say below who it is." : tools[tool].hint;
}

const polypName = (label) => reading.nameOf(label);

function chooseNext(step) {
  const { polyps, chosen } = reading;
  if (!polyps.length) return;
  const at = polyps.findIndex((one) => one.label === chosen);
  const next = polyps[at < 0 ? (step > 0 ? 0 : polyps.length - 1) : (at + step + polyps.length) % polyps.length];
  reading.choose(next.label);
  zoom.bring([next.x, next.y]);
  hand.go([next.x, next.y]);
  say(reading.inWords());
}

const chosenWish = (values) =>
  reading.chosen === null ? undefined : reading.correct({ label: reading.chosen, ...values });

function removeChosen() {
  if (reading.mouth) tools.mouth.remove();
  else if (kind === "look" || kind === "polyp") chosenWish({ kind: "delete" });
}

function toggleMachine() {
  const on = find("[data-do=machine]").getAttribute("aria-pressed") !== "true";
  find("[data-do=machine]").setAttribute("aria-pressed", on);
  drawing.toggleMachine(on);
  say(on ? "Dashed: as the machine read it." : "");
}

const DO = {
  undo: () => reading.can_undo && reading.correct({ kind: "undo" }),
  redo: () => reading.can_redo && reading.correct({ kind: "redo" }),
  nearer: () => zoom.by(1.5, cross ?? undefined),
  farther: () => zoom.by(1 / 1.5, cross ?? undefined),
  whole: () => zoom.whole(),
  machine: toggleMachine,
  finish: () => tools[tool].finish?.(),
  cancel: () => tools[tool].cancel(),
  "delete-polyp": () => chosenWish({ kind: "delete" }),
  "delete-mouth": () => reading.mouth && tools.mouth.remove(),
  "part-same": () => chosenWish({ kind: "part", as: "same" }),
  "part-daughter": () => chosenWish({ kind: "part", as: "daughter" }),
};
desk.addEventListener("click", ({ target }) => {
  const button = target.closest("button");
  if (!button || button.disabled) return;
  const { kind: kindNow, tool: toolNow, do: what, label, id } = button.dataset;
  if (kindNow) take(kindNow);
  else if (toolNow) take(kind, toolNow);
  else if (what) DO[what]();
  else if (label) {
    const one = reading.polyp(Number(label));
    reading.choose(one.label);
    board.scrollIntoView({ block: "nearest" });
    zoom.bring([one.x, one.y], 2 * away([one.x, one.y], one.outline[0]));
    say(reading.inWords());
  } else if (id) reading.correct({ kind: "withdraw", id });
});

listen(board, {
  ...DO,
  next: () => chooseNext(1),
  before: () => chooseNext(-1),
  take,
  remove: removeChosen,
  lift: () => {
    hand.lift();
    tools[tool].cancel();
  },
});

desk.addEventListener("submit", (event) => {
  event.preventDefault();
  const { form } = event.target.dataset;
  const values = new FormData(event.target);
  if (form === "name") chosenWish({ kind: "name", name: values.get("name") });
  else {
    const [photo, label] = JSON.parse(values.get("which"));
    chosenWish({ kind: "join", as: values.get("as"), with: { photo, label } });
  }
});

const seenButton = () => buttonOf("Seen", () => {}, "quiet");
let refused = false; // What was said last was a refusal; the next correction makes it old.

reading.addEventListener("change", () => {
  drawing.showMachine(reading.machine);
  drawing.show(reading.polyps, polypName, reading.chosen, reading.mouth?.at);
  showPanel(reading);
});
reading.addEventListener("sending", ({ detail }) => {
  board.setAttribute("aria-busy", detail);
  if (detail) say("Writing it down ...");
});
reading.addEventListener("done", ({ detail }) => {
  const { polyps, mouths, wound } = reading.sums;
  const count = (n, word) => `${n} ${word}${n === "1" ? "" : "s"}`;
  say(`Written down. Now ${count(polyps, "polyp")}, ${count(mouths, "mouth")}, wound ${wound} mm².`);
  for (const form of all("form[data-form=name]")) form.reset();
  if (refused) hushBelow();
  refused = false;
  if (!detail.others.length) return;
  const mine = reading.history.find((one) => detail.ids.includes(one.id));
  tellBelow(
    [
      "Somebody corrected this photo, too, since you looked:",
      ...detail.others,
      mine?.state === "open"
        ? "Yours is kept, but waits: see the corrections below."
        : "Both are kept. Look whether they agree.",
    ],
    seenButton(),
  );
});
reading.addEventListener("refused", ({ detail }) => {
  say("");
  refused = true;
  tellBelow([detail], seenButton());
});
reading.addEventListener("unheard", () => {
  say("");
  tellBelow(
    ["The connection was lost before the correction was written down."],
    buttonOf("Send it again", () => reading.sendAgain()),
    buttonOf("Drop it", () => reading.drop(), "quiet"),
  );
});
addEventListener("beforeunload", (event) => {
  if (reading.unsent) event.preventDefault();
});
// Back at the tray after a while: somebody else may have corrected meanwhile.
document.addEventListener("visibilitychange", () => {
  if (document.visibilityState === "visible" && !reading.unsent) reading.load().catch(() => {});
});

take("look");
reading
  .load()
  .then(() => board.setAttribute("aria-busy", false))
  .catch((error) => tellBelow([error.message], seenButton()));
