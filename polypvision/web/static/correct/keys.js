// Which key does what. The page tells them below the photo.

/** Listen on the board for single keys, and everywhere for undo and redo. */
export function listen(board, does) {
  const keys = {
    n: does.next,
    p: does.before,
    "+": does.nearer,
    "=": does.nearer,
    "-": does.farther,
    0: does.whole,
    l: () => does.take("look"),
    m: () => does.take("mouth"),
    r: () => does.take("polyp", "round"),
    d: () => does.take("polyp", "drawn"),
    e: () => does.take("polyp", "margin"),
    s: () => does.take("polyp", "split"),
    j: () => does.take("polyp", "merge"),
    w: () => does.take("wound", "paint"),
    x: () => does.take("wound", "erase"),
    f: does.finish,
    a: does.machine,
    escape: does.lift,
    delete: does.remove,
    backspace: does.remove,
  };
  const withControl = {
    z: does.undo,
    y: does.redo,
  };

  // Single letters are heard only while the photo has the keys (WCAG 2.2, 2.1.4).
  board.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    act(event, keys[event.key.toLowerCase()]);
  });
  document.addEventListener("keydown", (event) => {
    if (!(event.ctrlKey || event.metaKey) || event.target.closest("input, select, textarea")) return;
    const key = event.key.toLowerCase();
    act(event, key === "z" && event.shiftKey ? does.redo : withControl[key]);
  });
}

function act(event, what) {
  if (!what) return;
  event.preventDefault();
  what();
}
