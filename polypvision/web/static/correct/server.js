// What is asked of the computer that keeps the logbook, and what it answers.

export class Refused extends Error {
  constructor(words, status) {
    super(words);
    this.status = status;
  }
}

/** The answer did not come: whether the correction arrived is not known. */
export class Unheard extends Error {}

const TRIES = 5;

async function ask(href, options = {}, left = TRIES) {
  let got;
  try {
    got = await fetch(href, { headers: { accept: "application/json" }, ...options });
  } catch {
    throw new Unheard("No connection.");
  }
  if (got.ok) return got.json();
  const later = Number(got.headers.get("retry-after"));
  if (later > 0 && left > 0) {
    // Nothing was written down; the answer says when to come again.
    await new Promise((done) => setTimeout(done, 1000 * later));
    return ask(href, options, left - 1);
  }
  if (got.status === 401) {
    throw new Refused("This device is not paired any more. Scan the square code again.", 401);
  }
  const { words = "" } = await got.json().catch(() => ({}));
  // The page sends one at a time, so which of them it was says nothing.
  throw new Refused(words.replace(/^Correction 1: /, "") || "That did not work. Load the page again.", got.status);
}

export function serverOf(sha256) {
  const base = `/photos/${sha256}`;
  return {
    reading: () => ask(`${base}/reading`),
    who: () => ask(`${base}/who`),
    correct: (wish, seen) =>
      ask(`${base}/corrections`, {
        method: "POST",
        headers: { accept: "application/json", "content-type": "application/json" },
        body: JSON.stringify({ wishes: [wish], seen }),
      }),
  };
}
