// What a hand does on the photo with each tool, and the correction that comes of it.
import { away, closed, inside, thinned, withMargin } from "./shapes.js";

const CLOSE_PX = 14; // A tap so near the first point closes the line.
const STILL_PX = 5; // A taken-up mouth that is tapped so near is left where it is.

const plain = (points) => points.map((one) => one.map((v) => Math.round(v * 100) / 100));
const dab = (points) => points.filter((one, i) => !i || away(one, points[i - 1]) > 0);

/**
 * @param reading the photo's reading
 * @param zoom    which part is seen
 * @param drawing shows what is being drawn
 * @param say     tells the person something
 * @param open    (whether something is drawn that waits to be used)
 * @param brush   () => half the width of the brush in mm
 */
export function toolsOf({ reading, zoom, drawing, say, open, brush }) {
  const act = (wish) => reading.correct(wish);
  const fine = (points) => dab(plain(thinned(points, 0.5 / zoom.scale)));
  const chosenPolyp = () => reading.polyp(reading.chosen);
  const still = { start: () => false, move() {}, end() {}, cancel() {} };

  function clear() {
    drawing.clear();
    open(false);
  }

  /** The polyp that a line across or on it means: the chosen one, if it touches that. */
  function under(points) {
    const chosen = chosenPolyp();
    if (chosen && points.some((one) => inside(one, chosen.outline))) return chosen;
    const found = [points[points.length >> 1], ...points].map((one) => reading.at(one));
    return found.find(Boolean);
  }

  /** The polyp along whose margin a line runs. */
  function along(points) {
    const off = (one) =>
      points.reduce((sum, p) => sum + Math.min(...one.outline.map((q) => away(p, q))), 0);
    const chosen = chosenPolyp();
    const best = reading.polyps.reduce((a, b) => (!a || off(b) < off(a) ? b : a), null);
    return chosen && off(chosen) < 3 * off(best) ? chosen : best;
  }

  /** A line drawn in one go, or by taps. */
  function lineTool(hint, { close = false, taps = Infinity, radius = () => 0, done }) {
    let points = [];
      let byTaps = false;
    const show = () => {
      const r = radius();
      drawing.draw(points, { close: close && points.length > 2, radius: r, corners: byTaps && !r });
      open(byTaps && points.length > 0);
    };
    const tool = {
      hint,
      tap(at) {
        if (close && points.length > 2 && away(at, points[0]) < CLOSE_PX / zoom.scale) {
          tool.finish();
          return;
        }
        byTaps = true;
        points.push(at);
        show();
        if (points.length >= taps) tool.finish();
      },
      start(at) {
        points.push(at);
        show();
        return true;
      },
      move(at) {
        points.push(at);
        show();
      },
      end(at) {
        points.push(at);
        // Between taps a slip of the finger is one more stretch of the line.
        if (byTaps) show();
        else tool.finish();
      },
      finish() {
        const drawn = fine(points);
        tool.cancel();
        if (drawn.length) done(drawn);
      },
      cancel() {
        [points, byTaps] = [[], false];
        clear();
      },
    };
    return tool;
  }

  function brushTool(hint, kind) {
    const px = () => brush() / reading.mm_per_px;
    return lineTool(hint, {
      taps: 1,
      radius: px,
      done(points) {
        const polyp = under(points);
        if (!polyp) return say("No polyp is there. Begin on the polyp.");
        return act({ kind, label: polyp.label, stroke_px: points, radius_px: px() });
      },
    });
  }

  const look = {
    ...still,
    hint: "Tap a polyp to see its numbers. Drag to move the photo, two fingers to come nearer.",
    tap(at) {
      reading.choose(reading.at(at)?.label ?? null);
      say(reading.inWords());
    },
  };

  const mouth = {
    hint: "Tap where a mouth is missing. Tap a mouth to take it up, then tap its right place, or delete it.",
    tap(at) {
      const there = reading.mouthAt(at, zoom.scale);
      const up = reading.mouth;
      const other = there && !(up && up.label === there.label && away(up.at, there.at) === 0);
      if (other) {
        reading.takeUp(there);
        say("Tap its right place, or delete it.");
        return;
      }
      if (up && away(up.at, at) * zoom.scale < STILL_PX) {
        reading.takeUp(null);
        say("The mouth is left where it is.");
        return;
      }
      if (up) {
        mouth.put(up, at);
        return;
      }
      const polyp = reading.at(at);
      if (!polyp) say("No polyp is there. A mouth lies on a polyp.");
      else act({ kind: "add-mouth", label: polyp.label, place_px: plain([at])[0] });
    },
    put(up, at) {
      if (!inside(at, reading.polyp(up.label).outline)) {
        say(`Not on ${reading.nameOf(up.label)}: a mouth stays on its polyp.`);
        return;
      }
      act({ kind: "move-mouth", label: up.label, from_px: up.at, to_px: plain([at])[0] });
    },
    start(at) {
      const there = reading.mouthAt(at, zoom.scale);
      if (there) reading.takeUp(there);
      return Boolean(there);
    },
    move: (at) => drawing.drawMouth(at),
    end(at) {
      const up = reading.mouth;
      clear();
      if (up) mouth.put(up, at);
    },
    cancel() {
      clear();
      if (reading.mouth) reading.takeUp(null);
    },
    remove() {
      const { label, at } = reading.mouth;
      act({ kind: "delete-mouth", label, place_px: at });
    },
  };

  let middle = null;
  const round = {
    hint: "Tap the middle of the polyp, then its margin. Or drag from the middle to the margin.",
    tap(at) {
      if (middle) {
        round.end(at);
        return;
      }
      middle = at;
      drawing.drawRound(at, 0);
      open(true);
      say("Now its margin.");
    },
    start(at) {
      middle ??= at;
      return true;
    },
    move: (at) => drawing.drawRound(middle, away(middle, at)),
    end(at) {
      const [from, r] = [middle, away(middle, at)];
      round.cancel();
      const centre = plain([from])[0];
      if (r * zoom.scale < 3) say("That is too small. Tap its middle, then its margin.");
      else act({ kind: "add", centre_px: centre, diameter_mm: 2 * r * reading.mm_per_px });
    },
    cancel() {
      middle = null;
      clear();
    },
  };

  let first = null;
  const merge = {
    ...still,
    hint: "Two outlines that are one polyp: tap one, then the other.",
    tap(at) {
      const there = reading.at(at);
      if (!there) say("No polyp is there.");
      else if (first === null || first === there.label || !reading.polyp(first)) {
        first = there.label;
        reading.choose(first);
        say(`${reading.nameOf(first)}: now tap the other.`);
      } else {
        act({ kind: "merge", labels: [first, there.label] });
        first = null;
      }
    },
    cancel() {
      first = null;
    },
  };

  return {
    look,
    mouth,
    round,
    merge,
    drawn: lineTool("Draw once round the polyp; or tap points along its margin and use them.", {
      close: true,
      done: (points) => act({ kind: "add", outline_px: closed(points) }),
    }),
    margin: lineTool("Draw where the margin runs, a stretch of it or once round; or tap points along it and use them.", {
      done(points) {
        const polyp = points.length > 1 && along(points);
        if (!polyp) return say("Draw a line along the margin of a polyp.");
        const outline = plain(withMargin(polyp.outline, points));
        return act({ kind: "reshape", label: polyp.label, outline_px: outline });
      },
    }),
    split: lineTool("One outline that is two polyps: draw a line between them, right across; or tap its two ends.", {
      taps: 2,
      done(points) {
        const polyp = under(points.length > 1 ? withMiddles(points) : points);
        if (!polyp) return say("The line crosses no polyp.");
        return act({ kind: "split", label: polyp.label, line_px: points });
      },
    }),
    paint: brushTool("Paint over exposed tissue. A tap paints one spot.", "paint-wound"),
    erase: brushTool("Wipe over what is no exposed tissue. A tap wipes one spot.", "erase-wound"),
  };
}

/** A line with points between: its ends may lie outside of the polyp that it crosses. */
function withMiddles(line) {
  const more = line.slice(1).flatMap((b, i) => {
    const a = line[i];
    return [1, 2, 3, 4, 5].map((k) => [a[0] + ((b[0] - a[0]) * k) / 6, a[1] + ((b[1] - a[1]) * k) / 6]);
  });
  return more;
}
