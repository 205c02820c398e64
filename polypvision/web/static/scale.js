// Two points on the photo: tap, or move with the arrow keys.
const svg = document.querySelector(".two-points svg");
const line = svg.querySelector("line");
const points = [...svg.querySelectorAll(".point")];
const fields = document.querySelector("form").elements;
const { width, height } = svg.viewBox.baseVal;
let next = 0;

function draw() {
  const scale = width / svg.getBoundingClientRect().width;
  points.forEach((point, i) => {
    const x = fields[`x${i + 1}`].value * width;
    const y = fields[`y${i + 1}`].value * height;
    point.setAttribute("transform", `translate(${x} ${y}) scale(${scale})`);
    line.setAttribute(`x${i + 1}`, x);
    line.setAttribute(`y${i + 1}`, y);
  });
}

function place(i, x, y) {
  const within = (value) => Math.min(1, Math.max(0, value)).toFixed(5);
  fields[`x${i + 1}`].value = within(x);
  fields[`y${i + 1}`].value = within(y);
  draw();
}

svg.addEventListener("pointerdown", (event) => {
  const box = svg.getBoundingClientRect();
  place(next, (event.clientX - box.left) / box.width, (event.clientY - box.top) / box.height);
  next = 1 - next;
});
const steps = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
points.forEach((point, i) => {
  point.addEventListener("keydown", (event) => {
    const step = steps[event.key];
    if (!step) return;
    event.preventDefault();
    const by = event.shiftKey ? 0.05 : 0.002;
    const x = Number(fields[`x${i + 1}`].value) + by * step[0];
    place(i, x, Number(fields[`y${i + 1}`].value) + (by * step[1] * width) / height);
  });
});
addEventListener("resize", draw);
draw();
