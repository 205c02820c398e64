// The photo, the table and the strip of one polyp, linked; and a slider through the dates.
// Without it the page works by its links.
const strip = document.querySelector("#strip");

function choose(name) {
  for (const one of document.querySelectorAll("[data-polyp]")) {
    one.classList.toggle("chosen", one.dataset.polyp === name);
  }
}

async function showStrip(href, name) {
  choose(name);
  const got = await fetch(href);
  if (!got.ok) return;
  const page = new DOMParser().parseFromString(await got.text(), "text/html");
  const part = page.querySelector(".strip");
  // Under this page's headings.
  const title = document.createElement("h3");
  title.id = "strip-h";
  title.textContent = name;
  part.querySelector("h1").replaceWith(title);
  strip.replaceChildren(part);
}

document.addEventListener("click", (event) => {
  const link = event.target.closest("a[data-polyp]");
  if (!link || event.ctrlKey || event.metaKey || event.shiftKey) return;
  event.preventDefault();
  const href = link.getAttribute("href");
  showStrip(href, link.dataset.polyp);
  if (link.closest("table")) document.querySelector("#photo").scrollIntoView();
});
for (const kind of ["pointerover", "focusin"]) {
  document.addEventListener(kind, (event) => {
    const one = event.target.closest("[data-polyp]");
    if (one) choose(one.dataset.polyp);
  });
}

const dates = document.querySelector(".dates");
if (dates) {
  const photo = dates.querySelector("select[name=photo]");
  const slide = dates.querySelector(".slide");
  const knob = slide.querySelector("input");
  const said = slide.querySelector("output");
  const known = new Map();
  const say = () => {
    const words = photo.options[knob.value].text;
    said.textContent = words;
    knob.setAttribute("aria-valuetext", words);
  };
  knob.value = photo.selectedIndex;
  slide.hidden = photo.options.length < 2;
  say();
  const sheet = async (sha256) => {
    if (!known.has(sha256)) {
      const got = await fetch(`${dates.dataset.href}/sheets/${sha256}`);
      if (!got.ok) return null;
      const page = new DOMParser().parseFromString(await got.text(), "text/html");
      known.set(sha256, page.querySelector(".sheet"));
    }
    return known.get(sha256).cloneNode(true);
  };
  knob.addEventListener("input", async () => {
    say();
    const sha256 = photo.options[knob.value].value;
    const made = await sheet(sha256);
    // The knob may have gone on meanwhile.
    if (!made || photo.options[knob.value].value !== sha256) return;
    const shown = [...document.querySelectorAll(".sheets .sheet")].at(-1);
    shown.replaceWith(made);
    photo.value = sha256;
  });
}

// What is to come takes longest to work out: asked for once it comes into view.
const expected = document.querySelector("#expected");
if (expected) {
  new IntersectionObserver(async ([seen], observer) => {
    if (!seen.isIntersecting) return;
    observer.disconnect();
    const got = await fetch(expected.dataset.href);
    if (!got.ok) return;
    const page = new DOMParser().parseFromString(await got.text(), "text/html");
    expected.replaceChildren(page.querySelector(".expected"));
  }, { rootMargin: "200px" }).observe(expected);
}
