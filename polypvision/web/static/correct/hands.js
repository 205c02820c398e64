// Finger, pen, mouse and keys, told alike: tap, start, move, end, cancel; two fingers move the photo.

const TAP_PX = 8;
const STEP_PX = 4;
const FAR_PX = 40;
const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

/**
 * @param board the element that is touched
 * @param zoom  which part of the photo is seen
 * @param tool  () => what is worked with: tap(at), start(at) -> whether it takes the drag,
 *              move(at), end(at), cancel()
 * @param cross (at or null) => shows where the keys are
 */
export function hands(board, zoom, tool, cross) {
  const fingers = new Map();
  let drag = null; // "pan", "tool", or nothing yet.
  let from = null;
  let place = null; // Of the cross.
  let penDown = false;
  let spread = 0;

  const at = (event) => zoom.within(zoom.at(event.clientX, event.clientY));
  const pair = () => {
    const [a, b] = [...fingers.values()];
    return { x: (a.x + b.x) / 2, y: (a.y + b.y) / 2, apart: Math.hypot(a.x - b.x, a.y - b.y) };
  };

  function lift() {
    if (drag === "tool") tool().cancel();
    penDown = false;
    drag = null;
  }

  board.addEventListener("pointerdown", (event) => {
    if (fingers.size > 1) return;
    board.focus({ preventScroll: true });
    if (penDown) lift();
    place = null;
    cross(null);
    board.setPointerCapture(event.pointerId);
    fingers.set(event.pointerId, { x: event.clientX, y: event.clientY });
    if (fingers.size === 2) {
      lift();
      drag = "two";
      spread = pair().apart;
    } else {
      from = { x: event.clientX, y: event.clientY, at: at(event), button: event.button };
    }
  });

  board.addEventListener("pointermove", (event) => {
    const finger = fingers.get(event.pointerId);
    if (!finger) return;
    const before = fingers.size === 2 ? pair() : null;
    const [dx, dy] = [event.clientX - finger.x, event.clientY - finger.y];
    fingers.set(event.pointerId, { x: event.clientX, y: event.clientY });
    if (before) {
      const now = pair();
      zoom.pan(now.x - before.x, now.y - before.y);
      zoom.by(now.apart / Math.max(1, spread), zoom.at(now.x, now.y));
      spread = now.apart;
      return;
    }
    if (drag === "two") return;
    if (!drag) {
      if (Math.hypot(event.clientX - from.x, event.clientY - from.y) < TAP_PX) return;
      drag = from.button !== 1 && tool().start(from.at) ? "tool" : "pan";
      if (drag === "pan") zoom.pan(event.clientX - from.x, event.clientY - from.y);
    } else if (drag === "pan") zoom.pan(dx, dy);
    if (drag === "tool") {
      const steps = event.getCoalescedEvents?.() ?? [];
      for (const one of steps.length ? steps : [event]) tool().move(at(one));
    }
  });

  board.addEventListener("pointerup", (event) => {
    if (!fingers.delete(event.pointerId)) return;
    if (drag === "tool") tool().end(at(event));
    else if (!drag && event.button !== 1) tool().tap(from.at);
    // Of two fingers the last to leave does nothing more.
    if (!fingers.size) drag = null;
  });
  board.addEventListener("pointercancel", (event) => {
    fingers.delete(event.pointerId);
    lift();
  });
  // Else a quick stroke is taken for a fling, and the tap after it, on a button, for its end.
  board.addEventListener("touchstart", (event) => event.preventDefault(), { passive: false });
  board.addEventListener("contextmenu", (event) => event.preventDefault());
  board.addEventListener(
    "wheel",
    (event) => {
      // The page scrolls under a hand that only passes over the photo.
      if (!event.ctrlKey && document.activeElement !== board) return;
      event.preventDefault();
      const far = event.deltaMode ? 30 * event.deltaY : event.deltaY;
      zoom.by(Math.exp(-far / 400), zoom.at(event.clientX, event.clientY));
    },
    { passive: false },
  );

  function go(to) {
    place = zoom.within(to);
    zoom.bring(place);
    cross(place);
    if (penDown) tool().move(place);
  }

  board.addEventListener("keydown", (event) => {
    if (event.target !== board || event.ctrlKey || event.metaKey || event.altKey) return;
    const step = ARROWS[event.key];
    place ??= zoom.middle();
    if (step) {
      const by = (event.shiftKey ? FAR_PX : STEP_PX) / zoom.scale;
      go([place[0] + by * step[0], place[1] + by * step[1]]);
    } else if (event.key === "Enter") {
      cross(place);
      if (!penDown) tool().tap(place);
    } else if (event.key === " ") {
      cross(place);
      if (event.repeat) return event.preventDefault();
      if (penDown) {
        penDown = false;
        tool().end(place);
      } else penDown = tool().start(place);
    } else return;
    event.preventDefault();
  });
  board.addEventListener("focus", () => {
    if (board.matches(":focus-visible") && place) cross(place);
  });
  board.addEventListener("blur", () => {
    if (penDown) lift();
    cross(null);
  });

  return {
    go,
    here: () => place,
    lift: () => {
      if (penDown) tool().cancel();
      penDown = false;
    },
  };
}
