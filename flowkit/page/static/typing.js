// The curve while typing: the table is read as a sheet would be, and a slip is marked in its field.
import { charts } from "./charts.js";

let waiting = 0;
let asked = 0;

async function look(form) {
  const number = (asked += 1);
  const answer = await fetch("/type/check", { method: "POST", body: new URLSearchParams(new FormData(form)) });
  const html = await answer.text();
  if (number !== asked || !answer.ok) return;
  const preview = document.getElementById("preview");
  preview.replaceChildren(...new DOMParser().parseFromString(html, "text/html").body.childNodes);
  const flags = new Set((preview.querySelector("[data-flags]")?.dataset.flags || "").split(" "));
  for (const input of form.querySelectorAll(".entry input")) {
    if (flags.has(input.name)) input.setAttribute("aria-invalid", "true");
    else input.removeAttribute("aria-invalid");
  }
  charts(preview);
}

document.addEventListener("input", (event) => {
  const form = event.target.closest("#typing");
  if (!form) return;
  clearTimeout(waiting);
  waiting = setTimeout(() => look(form), 150);
});

// Enter goes down a column, as in a spreadsheet; on the last row it saves.
document.addEventListener("keydown", (event) => {
  const input = event.target;
  if (event.key !== "Enter" || !input.matches?.("#typing .entry input")) return;
  const row = input.closest("tr").nextElementSibling;
  const next = row?.children[input.closest("td, th").cellIndex]?.querySelector("input");
  if (next) { event.preventDefault(); next.focus(); next.select(); }
});
