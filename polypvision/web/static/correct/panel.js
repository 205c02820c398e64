// The numbers beside the photo, the chosen polyp, who it is, and what was corrected.

function made(name, values = {}, ...inside) {
  const one = Object.assign(document.createElement(name), values);
  one.append(...inside);
  return one;
}

const find = (what) => document.querySelector(what);

function showSums({ sums, machine_sums: machine }) {
  for (const one of document.querySelectorAll("[data-sum]")) {
    const [now, then] = [sums[one.dataset.sum], machine[one.dataset.sum]];
    one.replaceChildren(now);
    if (now !== then) one.append(made("small", { textContent: ` was ${then}` }));
  }
}

function showChosen(reading) {
  const polyp = reading.polyp(reading.chosen);
  const part = find(".picked");
  part.hidden = !polyp;
  if (!polyp) return;
  const { name, parents, before } = reading.known[polyp.label] ?? {};
  const title = parents ? `${name}, from ${parents}` : reading.nameOf(polyp.label);
  find("#chosen-h").textContent = title;
  find(".figures").replaceChildren(
    ...polyp.figures.map(([term, words]) =>
      made("div", {}, made("dt", { textContent: term }), made("dd", { textContent: words })),
    ),
  );
  find("[data-do=part-same]").hidden = !before;
  find("[data-do=part-daughter]").hidden = !parents;
  const which = find("[data-form=join] select[name=which]");
  const kept = which.value;
  which.replaceChildren(
    made("option", { value: "", textContent: "choose" }),
    ...reading.earlier.map((one) =>
      made("option", { value: JSON.stringify([one.photo, one.label]), textContent: one.words }),
    ),
  );
  if (kept) which.value = kept;
  find("[data-form=join]").hidden = !reading.earlier.length;
}

function showEvery(reading) {
  find(".every tbody").replaceChildren(
    ...reading.polyps.map((one) => {
      const button = made("button", { type: "button", className: "quiet", textContent: reading.nameOf(one.label) });
      button.dataset.label = one.label;
      button.setAttribute("aria-pressed", one.label === reading.chosen);
      const row = made("tr", { className: one.label === reading.chosen ? "chosen" : "" });
      const head = made("th", { scope: "row" }, button);
      const cells = [one.diameter, one.n_mouths, one.wound].map((text) =>
        made("td", { className: "n", textContent: text }),
      );
      row.append(head, ...cells);
      return row;
    }),
  );
}

const STATES = { applied: "", withdrawn: "taken back", open: "waits" };

function showHistory(reading) {
  const rows = reading.history.map((one) => {
    const row = made("li", { className: one.state });
    const words = made("div", {}, made("b", { className: "who", textContent: one.author }), ` ${one.words} `);
    words.append(made("small", { textContent: [one.at, STATES[one.state]].filter(Boolean).join(", ") }));
    if (one.why) words.append(made("p", { textContent: one.why }));
    row.append(words);
    if (one.state !== "withdrawn") {
      const back = made("button", { type: "button", className: "quiet", textContent: "Take it back" });
      back.dataset.id = one.id;
      back.setAttribute("aria-label", `Take it back: ${one.author} ${one.words}`);
      row.append(back);
    }
    return row;
  });
  find(".history").replaceChildren(...rows);
  find(".history").hidden = !rows.length;
  find("#history-h").textContent = rows.length ? "Corrections" : "No corrections yet";
}

export function showPanel(reading) {
  // What is in the hand is not taken away: the buttons of lists are made anew.
  const focused = document.activeElement?.dataset ?? {};
  showSums(reading);
  showChosen(reading);
  showEvery(reading);
  showHistory(reading);
  if (document.activeElement === document.body) {
    if (focused.label) find(`.every [data-label="${focused.label}"]`)?.focus();
    if (focused.id) find("#history-h").focus();
  }
  find("[data-do=undo]").disabled = !reading.can_undo;
  find("[data-do=redo]").disabled = !reading.can_redo;
  find("[data-do=delete-polyp]").disabled = reading.chosen === null;
  find("[data-do=delete-mouth]").disabled = !reading.mouth;
}

/** Something to be read before going on. */
export function tellBelow(words, ...buttons) {
  const part = find(".told");
  const lines = words.map((one) => made("p", { textContent: one }));
  const row = made("p", {}, ...buttons.flatMap((one) => [one, " "]));
  part.replaceChildren(made("div", { className: "again" }, ...lines, row));
  part.scrollIntoView({ block: "nearest" });
}

export function hushBelow() {
  find(".told").replaceChildren();
}

export function buttonOf(textContent, what, className = "") {
  const button = made("button", { type: "button", className, textContent });
  button.addEventListener("click", () => {
    hushBelow();
    what();
  });
  return button;
}
