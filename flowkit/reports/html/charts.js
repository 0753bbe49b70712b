// Charts: the values under the pointer or the keyboard's cursor, and states switched on and off.
const NS = "http://www.w3.org/2000/svg";

// PCHIP (Fritsch & Butland 1984), as the analysis interpolates: slopes by harmonic means.
function slopes(points) {
  const n = points.length;
  const h = points.slice(1).map((p, i) => p[0] - points[i][0]);
  const d = points.slice(1).map((p, i) => (p[1] - points[i][1]) / h[i]);
  if (n < 3) return points.map(() => d[0] ?? 0);
  const end = (h0, h1, d0, d1) => {
    const m = ((2 * h0 + h1) * d0 - h0 * d1) / (h0 + h1);
    if (m * d0 <= 0) return 0;
    return d0 * d1 <= 0 && Math.abs(m) > 3 * Math.abs(d0) ? 3 * d0 : m;
  };
  return points.map((_, i) => {
    if (i === 0) return end(h[0], h[1], d[0], d[1]);
    if (i === n - 1) return end(h[n - 2], h[n - 3], d[n - 2], d[n - 3]);
    if (d[i - 1] * d[i] <= 0) return 0;
    const w1 = 2 * h[i] + h[i - 1];
    const w2 = h[i] + 2 * h[i - 1];
    return (w1 + w2) / (w1 / d[i - 1] + w2 / d[i]);
  });
}

export function at(points, x) {
  if (!points.length || x < points[0][0] - 1e-9 || x > points[points.length - 1][0] + 1e-9) return null;
  if (points.length === 1) return points[0][1];
  const m = slopes(points);
  let i = 0;
  while (i < points.length - 2 && x > points[i + 1][0]) i += 1;
  const h = points[i + 1][0] - points[i][0];
  const t = Math.min(1, Math.max(0, (x - points[i][0]) / h));
  const [u, v] = [t * t, t * t * t];
  return (
    (2 * v - 3 * u + 1) * points[i][1] + (v - 2 * u + t) * h * m[i] + (3 * u - 2 * v) * points[i + 1][1] + (v - u) * h * m[i + 1]
  );
}

function read(svg) {
  return [...svg.querySelectorAll("g.state")]
    .filter((group) => !group.classList.contains("off"))
    .map((group) => ({
      name: group.dataset.state,
      place: group.dataset.place,
      points: [...group.querySelectorAll("[data-x]")].map((point) => [Number(point.dataset.x), Number(point.dataset.y)]),
    }));
}

function follow(svg) {
  if (svg.dataset.followed) return;
  svg.dataset.followed = "yes";
  const figure = svg.closest("figure") || svg.parentElement;
  const tip = document.createElement("div");
  tip.className = "tip";
  tip.hidden = true;
  tip.setAttribute("role", "status");
  figure.append(tip);
  const axis = svg.querySelector("path.axis").getBBox();
  const cursor = document.createElementNS(NS, "line");
  cursor.setAttribute("class", "cursor off");
  svg.append(cursor);
  const [x0, scale, low] = ["x0", "xScale", "xLow"].map((key) => Number(svg.dataset[key]));
  const [digits, places] = svg.dataset.digits.split(" ").map(Number);
  const high = low + axis.width / scale;
  let here = null;

  const hide = () => { tip.hidden = true; cursor.classList.add("off"); };
  const line = (words, value, place) => {
    const p = document.createElement("p");
    if (place === undefined) p.className = "soft";
    else p.dataset.place = place;
    const name = document.createElement("span");
    name.textContent = words;
    p.append(name);
    if (value !== null) {
      const b = document.createElement("b");
      b.textContent = value;
      p.append(b);
    }
    tip.append(p);
  };
  const show = (x) => {
    here = Math.min(Math.max(x, low), high);
    const rows = read(svg).map((curve) => ({ ...curve, y: at(curve.points, here) })).filter((row) => row.y !== null);
    if (!rows.length) { hide(); return; }
    const place = x0 + (here - low) * scale;
    for (const [key, value] of [["x1", place], ["x2", place], ["y1", axis.y], ["y2", axis.y + axis.height]]) cursor.setAttribute(key, value);
    tip.replaceChildren();
    line(`${here.toFixed(digits)} ${svg.dataset.xUnit}`, null);
    for (const row of rows) line(row.name, `${row.y.toFixed(places)} ${svg.dataset.yUnit}`, row.place);
    cursor.classList.remove("off");
    tip.hidden = false;
    const box = svg.getBoundingClientRect();
    const frame = figure.getBoundingClientRect();
    const pixel = (place / svg.viewBox.baseVal.width) * box.width + box.left - frame.left;
    const left = pixel + 14 + tip.offsetWidth > frame.width ? pixel - tip.offsetWidth - 14 : pixel + 14;
    tip.style.left = `${Math.max(0, left)}px`;
    tip.style.top = `${box.top - frame.top + (axis.y / svg.viewBox.baseVal.height) * box.height}px`;
  };
  svg.addEventListener("pointermove", (event) => {
    const box = svg.getBoundingClientRect();
    show(low + (((event.clientX - box.left) / box.width) * svg.viewBox.baseVal.width - x0) / scale);
  });
  svg.addEventListener("pointerleave", hide);
  svg.setAttribute("tabindex", "0");
  svg.addEventListener("focus", () => show(here ?? (low + high) / 2));
  svg.addEventListener("blur", hide);
  svg.addEventListener("keydown", (event) => {
    const step = { ArrowRight: 1, ArrowLeft: -1, PageUp: 5, PageDown: -5 }[event.key];
    if (event.key === "Escape") { hide(); return; }
    if (event.key === "Home") show(low);
    else if (event.key === "End") show(high);
    else if (step) show((here ?? low) + (step * (high - low)) / 50);
    else return;
    event.preventDefault();
  });
}

export function charts(root) {
  for (const svg of root.querySelectorAll("svg.flow-chart")) follow(svg);
  for (const box of root.querySelectorAll("input[data-show]")) {
    box.addEventListener("change", () => {
      for (const part of document.querySelectorAll("svg.flow-chart [data-state]")) {
        if (part.dataset.state === box.dataset.show) part.classList.toggle("off", !box.checked);
      }
    });
  }
}

if (!document.querySelector("script[src$='page.js']")) {
  charts(document);
  document.documentElement.classList.add("js");
}
