// SHA-256 (FIPS 180-4). The browser's own is only there over https, which a local network lacks.

// First 32 bits of the fractional parts of the square or cube root of the first n primes.
function roots(power, n) {
  const found = [];
  for (let p = 2; found.length < n; p++) {
    let prime = true;
    for (let d = 2; d * d <= p; d++) if (p % d === 0) prime = false;
    if (prime) found.push(Math.floor((p ** (1 / power) % 1) * 2 ** 32) | 0);
  }
  return found;
}

const K = new Int32Array(roots(3, 64));
const START = roots(2, 8);

export class Sha256 {
  #state = new Int32Array(START);
  #words = new Int32Array(64);
  #rest = new Uint8Array(64);
  #held = 0;
  #length = 0;

  /** Add bytes (Uint8Array). */
  add(bytes) {
    this.#length += bytes.length;
    let at = 0;
    while (at < bytes.length) {
      if (this.#held === 0 && bytes.length - at >= 64) {
        this.#block(bytes, at);
        at += 64;
        continue;
      }
      const take = Math.min(64 - this.#held, bytes.length - at);
      this.#rest.set(bytes.subarray(at, at + take), this.#held);
      this.#held += take;
      at += take;
      if (this.#held === 64) {
        this.#block(this.#rest, 0);
        this.#held = 0;
      }
    }
    return this;
  }

  /** Return the hash in lower-case hexadecimal; nothing may be added after. */
  hex() {
    const bits = this.#length * 8;
    const end = new Uint8Array(this.#held < 56 ? 64 - this.#held : 128 - this.#held);
    end[0] = 0x80;
    const view = new DataView(end.buffer);
    view.setUint32(end.length - 8, Math.floor(bits / 2 ** 32));
    view.setUint32(end.length - 4, bits >>> 0);
    this.add(end);
    return [...this.#state].map((word) => (word >>> 0).toString(16).padStart(8, "0")).join("");
  }

  #block(bytes, at) {
    const w = this.#words;
    for (let i = 0; i < 16; i++, at += 4) {
      w[i] = (bytes[at] << 24) | (bytes[at + 1] << 16) | (bytes[at + 2] << 8) | bytes[at + 3];
    }
    for (let i = 16; i < 64; i++) {
      const x = w[i - 15];
      const y = w[i - 2];
      const s0 = ((x >>> 7) | (x << 25)) ^ ((x >>> 18) | (x << 14)) ^ (x >>> 3);
      const s1 = ((y >>> 17) | (y << 15)) ^ ((y >>> 19) | (y << 13)) ^ (y >>> 10);
      w[i] = (w[i - 16] + s0 + w[i - 7] + s1) | 0;
    }
    let [a, b, c, d, e, f, g, h] = this.#state;
    for (let i = 0; i < 64; i++) {
      const s1 = ((e >>> 6) | (e << 26)) ^ ((e >>> 11) | (e << 21)) ^ ((e >>> 25) | (e << 7));
      const t1 = (h + s1 + ((e & f) ^ (~e & g)) + K[i] + w[i]) | 0;
      const s0 = ((a >>> 2) | (a << 30)) ^ ((a >>> 13) | (a << 19)) ^ ((a >>> 22) | (a << 10));
      const t2 = (s0 + ((a & b) ^ (a & c) ^ (b & c))) | 0;
      h = g; g = f; f = e; e = (d + t1) | 0;
      d = c; c = b; b = a; a = (t1 + t2) | 0;
    }
    const s = this.#state;
    s[0] += a; s[1] += b; s[2] += c; s[3] += d; s[4] += e; s[5] += f; s[6] += g; s[7] += h;
  }
}

/** Return the hash of a file, read a piece at a time so that a phone does not stall. */
export async function hashOf(file, told = () => {}) {
  const sum = new Sha256();
  const step = 1 << 20;
  for (let at = 0; at < file.size; at += step) {
    sum.add(new Uint8Array(await file.slice(at, at + step).arrayBuffer()));
    told(at / file.size);
  }
  return sum.hex();
}
