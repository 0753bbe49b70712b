// Charts: the values under the pointer or the keyboard's cursor, and states switched on and off.
const NS = "http://www.w3.org/2000/svg";

const number = (text) => Number(text);

function at(points, x) {
  if (!points.length || x < points[0][0] - 1e-9 || x > points[points.length - 1][0] + 1e-9) return null;
  for (let i = 1; i < points.length; i += 1) {
    const [x0, y0] = points[i - 1];
    const [x1, y1] = points[i];
    if (x <= x1 + 1e-9) return x1 === x0 ? y1 : y0 + ((y1 - y0) * (x - x0)) / (x1 - x0);
  }
  return points[0][1];
}

function read(svg) {
  return [...svg.querySelectorAll("g.curve")]
    .filter((group) => !group.classList.contains("off"))
    .map((group) => ({
      name: group.dataset.name,
      style: [...group.classList].find((name) => /^s\d/.test(name)),
      points: (group.dataset.line || "").split(" ").filter(Boolean).map((pair) => pair.split(",").map(number)),
    }));
}

function follow(svg) {
  if (svg.dataset.followed) return;
  svg.dataset.followed = "yes";
  const figure = svg.closest("figure") || svg.parentElement;
  const tip = document.createElement("div");
  tip.className = "tip";
  tip.hidden = true;
  figure.append(tip);
  const line = document.createElementNS(NS, "line");
  line.setAttribute("class", "cursor off");
  svg.append(line);
  const d = Object.fromEntries(Object.entries(svg.dataset).map(([key, value]) => [key, Number(value)]));
  const digits = svg.dataset.xUnit === "in" ? 3 : 2;
  let lift = null;

  const hide = () => { tip.hidden = true; line.classList.add("off"); };
  const show = (x) => {
    lift = Math.min(Math.max(x, d.x0), d.x1);
    const place = d.left + ((lift - d.x0) / (d.x1 - d.x0)) * (d.right - d.left);
    for (const [key, value] of [["x1", place], ["x2", place], ["y1", d.top], ["y2", d.bottom]]) line.setAttribute(key, value);
    const rows = read(svg).map((curve) => ({ ...curve, y: at(curve.points, lift) })).filter((row) => row.y !== null);
    if (!rows.length) { hide(); return; }
    tip.replaceChildren();
    const head = document.createElement("p");
    head.className = "soft";
    head.textContent = `${lift.toFixed(digits)} ${svg.dataset.xUnit}`;
    tip.append(head);
    for (const row of rows) {
      const p = document.createElement("p");
      p.className = row.style || "";
      const name = document.createElement("span");
      name.textContent = row.name;
      const value = document.createElement("b");
      value.textContent = `${row.y.toFixed(1)} ${svg.dataset.yUnit}`;
      p.append(name, value);
      tip.append(p);
    }
    line.classList.remove("off");
    tip.hidden = false;
    const box = svg.getBoundingClientRect();
    const frame = figure.getBoundingClientRect();
    const pixel = (place / svg.viewBox.baseVal.width) * box.width + box.left - frame.left;
    const left = pixel + 14 + tip.offsetWidth > frame.width ? pixel - tip.offsetWidth - 14 : pixel + 14;
    tip.style.left = `${Math.max(0, left)}px`;
    tip.style.top = `${box.top - frame.top + (d.top / svg.viewBox.baseVal.height) * box.height}px`;
  };
  svg.addEventListener("pointermove", (event) => {
    const box = svg.getBoundingClientRect();
    const place = ((event.clientX - box.left) / box.width) * svg.viewBox.baseVal.width;
    show(d.x0 + ((place - d.left) / (d.right - d.left)) * (d.x1 - d.x0));
  });
  svg.addEventListener("pointerleave", hide);
  svg.setAttribute("tabindex", "0");
  svg.addEventListener("focus", () => show(lift ?? d.x1));
  svg.addEventListener("blur", hide);
  svg.addEventListener("keydown", (event) => {
    const step = { ArrowRight: 1, ArrowLeft: -1, PageUp: 5, PageDown: -5 }[event.key];
    if (event.key === "Escape") { hide(); return; }
    if (event.key === "Home") show(d.x0);
    else if (event.key === "End") show(d.x1);
    else if (step) show((lift ?? d.x0) + (step * (d.x1 - d.x0)) / 50);
    else return;
    event.preventDefault();
  });
  tip.setAttribute("role", "status");
}

export function charts(root) {
  for (const svg of root.querySelectorAll("svg.chart")) follow(svg);
  for (const box of root.querySelectorAll("input[data-show]")) {
    box.addEventListener("change", () => {
      for (const part of document.querySelectorAll("svg.chart [data-name]")) {
        if (part.dataset.name === box.dataset.show) part.classList.toggle("off", !box.checked);
      }
    });
  }
}

if (!document.querySelector("script[src$='page.js']")) charts(document);
