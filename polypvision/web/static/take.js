// Photos picked, sent piece by piece, and what was read on each. A lost connection is waited out:
// the server says how much it has, and sending goes on from there.
import { hashOf } from "./sha256.js";

const form = document.querySelector(".take");
const pick = form.querySelector("input");
const list = document.querySelector(".sent");
const net = document.querySelector(".net");
const pieceBytes = Number(form.dataset.pieceBytes);
const maxBytes = Number(form.dataset.maxBytes);
const pause = (seconds) => new Promise((done) => setTimeout(done, 1000 * seconds));

class Refused extends Error {}

function row(name) {
  const item = document.createElement("li");
  const title = document.createElement("p");
  title.textContent = name;
  const words = document.createElement("p");
  words.className = "soft";
  words.setAttribute("role", "status");
  const bar = document.createElement("progress");
  bar.max = 1;
  bar.setAttribute("aria-label", `Sending ${name}`);
  item.append(title, bar, words);
  list.prepend(item);
  return {
    item,
    say(text, part) {
      words.textContent = text;
      if (part === undefined) bar.removeAttribute("value");
      else bar.value = part;
    },
    fail(text) {
      words.textContent = text;
      words.className = "again";
      bar.remove();
    },
  };
}

/** Ask the server; wait as long as there is no connection. */
async function ask(url, options) {
  for (let wait = 1; ; wait = Math.min(20, wait * 2)) {
    try {
      const answer = await fetch(url, { ...options, headers: { accept: "application/json", ...options.headers } });
      net.textContent = "";
      if (answer.status === 409) return answer.json();
      const later = Number(answer.headers.get("retry-after"));
      if (later > 0) wait = later; // It says when to come again, and why.
      else if (answer.status < 500 && answer.status !== 408 && !answer.ok) {
        const said = await answer.json().catch(() => ({}));
        throw new Refused(said.words ?? "This device is not paired any more. Scan a new code.");
      }
      if (answer.ok) return answer.json();
      const said = await answer.json().catch(() => ({}));
      net.textContent = said.words ?? "The computer does not answer. Trying again.";
    } catch (error) {
      if (error instanceof Refused) throw error;
      net.textContent = "No connection. It goes on by itself once there is one.";
    }
    await pause(wait);
  }
}

async function send(file, shown) {
  if (file.size > maxBytes) {
    throw new Refused(`It has ${Math.round(file.size / 1e6)} MB; at most ${Math.round(maxBytes / 1e6)} are taken. Is it a film?`);
  }
  const sha256 = await hashOf(file, (part) => shown.say("Getting ready", part));
  const size = file.size;
  let now = await ask("/photos/begin", {
    method: "POST",
    headers: { "content-type": "application/json" },
    body: JSON.stringify({ sha256, size, name: file.name }),
  });
  while (!now.whole) {
    const offset = now.received;
    shown.say(`Sending, ${Math.round((100 * offset) / size)} %`, offset / size);
    const query = new URLSearchParams({ offset, size, name: file.name });
    now = await ask(`/photos/${sha256}?${query}`, {
      method: "PUT",
      body: file.slice(offset, offset + pieceBytes),
    });
  }
  return sha256;
}

/** Wait until the photo is read, then show what it told. */
function follow(sha256, shown) {
  return new Promise((done) => {
    const events = new EventSource(`/photos/${sha256}/progress`);
    events.onmessage = async (event) => {
      const { stage, before } = JSON.parse(event.data);
      if (stage === "waiting") shown.say(before ? `Waiting, ${before} before it` : "Waiting");
      if (stage === "reading") shown.say("Reading");
      if (stage !== "done" && stage !== "failed") return;
      events.close();
      await answer(sha256, shown);
      done();
    };
    // The browser asks again by itself, unless the server has said no.
    events.onerror = () => {
      if (events.readyState !== EventSource.CLOSED) return;
      shown.fail("What was read cannot be shown. Open the page again.");
      done();
    };
  });
}

async function answer(sha256, shown) {
  const got = await fetch(`/photos/${sha256}/answer`);
  const page = new DOMParser().parseFromString(await got.text(), "text/html");
  const part = page.querySelector(".answer");
  if (part) shown.item.replaceChildren(part);
  else shown.fail("What was read cannot be shown. Open the page again.");
}

async function take(file, shown) {
  try {
    const sha256 = await send(file, shown);
    await follow(sha256, shown);
  } catch (error) {
    shown.fail(error instanceof Refused ? error.message : "This photo could not be opened here. Pick it again.");
  }
}

pick.addEventListener("change", async () => {
  const files = [...pick.files];
  pick.value = "";
  const rows = files.map((file) => row(file.name));
  // One after the other: a phone's connection is shared badly by several.
  for (let i = 0; i < files.length; i++) {
    rows[i].say("Waiting");
    const going = take(files[i], rows[i]);
    if (i === 0) rows[i].item.scrollIntoView({ block: "center" });
    await going;
  }
});

// Back from a page that gave what the photo lacked.
const asked = location.hash.slice(1);
if (/^[0-9a-f]{64}$/.test(asked)) follow(asked, row("Photo"));
