// The photo's reading as it holds, what is chosen, and corrections on their way, one at a time.
import { away, inside, size } from "./shapes.js";
import { Unheard } from "./server.js";

const OF_MOUTHS_AND_WOUNDS = /mouth|wound/; // Kinds that leave who is who as it was.
const FINGER_PX = 22; // Half of the least that a finger should have to hit.

export class Reading extends EventTarget {
  constructor(server) {
    super();
    this.server = server;
    Object.assign(this, { polyps: [], machine: [], known: {}, earlier: [], history: [] });
    [this.chosen, this.mouth, this.unsent, this.waiting] = [null, null, null, 0];
    this.line = Promise.resolve();
  }

  tell(kind, detail) {
    this.dispatchEvent(new CustomEvent(kind, { detail }));
  }

  async load() {
    this.take(await this.server.reading());
    this.askWho();
  }

  /** Take over what the server said; of one's own new polyps the largest is chosen. */
  take(values, own = false) {
    const before = new Set(this.polyps.map((one) => one.label));
    const fresh = own ? values.polyps.filter((one) => !before.has(one.label)) : [];
    Object.assign(this, values);
    this.mouth = null;
    if (fresh.length) {
      this.chosen = fresh.reduce((a, b) => (size(a.outline) < size(b.outline) ? b : a)).label;
    }
    if (!this.polyp(this.chosen)) this.chosen = null;
    this.tell("change");
  }

  /** Who is who takes the whole plate, so it comes after the numbers. */
  async askWho() {
    const version = this.version;
    try {
      const values = await this.server.who();
      if (version !== this.version) return;
      this.whoStale = false;
      Object.assign(this, values);
      this.tell("change");
    } catch {
      // Numbers stand without names; the next correction asks again.
    }
  }

  polyp(label) {
    return this.polyps.find((one) => one.label === label);
  }

  nameOf(label) {
    return this.known[label]?.name ?? `no. ${label}`;
  }

  /** The chosen polyp in words. */
  inWords() {
    const one = this.polyp(this.chosen);
    if (!one) return "";
    const mouths = one.n_mouths === 1 ? "1 mouth" : `${one.n_mouths} mouths`;
    return `${this.nameOf(one.label)}: ${one.diameter} mm, ${mouths}`;
  }

  choose(label) {
    this.chosen = label;
    this.mouth = null;
    this.tell("change");
  }

  takeUp(mouth) {
    this.mouth = mouth;
    if (mouth) this.chosen = mouth.label;
    this.tell("change");
  }

  /** The polyp under a place: of several the smallest. */
  at(place) {
    const there = this.polyps.filter((one) => inside(place, one.outline));
    return there.sort((a, b) => size(a.outline) - size(b.outline))[0];
  }

  /** The mouth that a finger at a place means, if any; `scale` is screen pixels a photo pixel. */
  mouthAt(place, scale) {
    let best = null;
    for (const one of this.polyps) {
      // On a small disc a finger is larger than what lies between two mouths.
      const wide = Math.sqrt(size(one.outline));
      const reach = Math.min(FINGER_PX / scale, Math.max(9 / scale, 0.16 * wide));
      for (const at of one.mouths) {
        const off = away(at, place);
        if (off < reach && (!best || off < best.off)) best = { label: one.label, at, off };
      }
    }
    return best;
  }

  /** Send a correction after those before it. */
  correct(wish) {
    this.waiting += 1;
    this.line = this.line.then(() => this.send(wish));
    return this.line;
  }

  async send(wish) {
    this.waiting -= 1;
    const seen = this.version;
    if (this.unsent) {
      this.tell("refused", "Send or drop the correction before it first.");
      return;
    }
    clearTimeout(this.whoSoon);
    this.tell("sending", true);
    try {
      const values = await this.server.correct(wish, seen);
      this.take(values, true);
      this.tell("done", { wish, others: values.others, ids: values.ids });
      this.whoStale ||= !OF_MOUTHS_AND_WOUNDS.test(wish.kind);
      if (this.whoStale) this.whoSoon = setTimeout(() => this.askWho(), 600);
    } catch (error) {
      await this.failed(error, wish, seen);
    } finally {
      this.tell("sending", this.waiting > 0);
    }
  }

  async failed(error, wish, seen) {
    if (error instanceof Unheard) {
      this.unsent = { wish, seen };
      this.tell("unheard");
      return;
    }
    if (error.status === 409) {
      // Read again, the same number may be another polyp.
      this.chosen = null;
      await this.load().catch(() => {});
    }
    this.tell("refused", error.message);
  }

  /** After a lost connection: look first whether the correction had arrived. */
  async sendAgain() {
    const { wish, seen } = this.unsent;
    try {
      await this.load();
    } catch {
      this.tell("unheard");
      return;
    }
    this.unsent = null;
    if (this.version === seen) this.correct(wish);
    else this.tell("refused", "The photo was corrected meanwhile, perhaps by you: this is how it stands.");
  }

  /** Give up a correction that was not heard. */
  drop() {
    this.unsent = null;
    this.load().catch(() => this.tell("refused", "No connection."));
  }
}
