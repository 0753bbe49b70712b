// The page without reloading: dropping files, answers in place, progress. Without it every form works as it is.
import { charts } from "./charts.js";

const said = () => document.getElementById("said");

function ready(root) {
  for (const cell of root.querySelectorAll(".grids .scroll")) toAsked(cell);
  charts(root);
  drops(root);
  watch(root);
  sheetsByHand(root);
  slides(root);
  drafts(root);
}

// The first cell in question is in view within its box.
function toAsked(box) {
  const cell = box.querySelector("td.asked");
  if (!cell) return;
  const [outer, inner] = [box.getBoundingClientRect(), cell.getBoundingClientRect()];
  if (inner.right > outer.right) box.scrollLeft += inner.right - outer.right + inner.width / 2;
  if (inner.bottom > outer.bottom) box.scrollTop += inner.bottom - outer.bottom + 2 * inner.height;
}

// What is typed and not sent yet is kept in this tab: it survives a reload, and an answer to another question.
// A form with data-draft keeps all its fields until it is sent for good; any other, those that differ from the page.
const HANDLED = new Set(["version", "back", "columns", "rows"]);
const keyOf = (form) => "draft " + (form.dataset.draft || form.getAttribute("action") + " " +
  [...form.querySelectorAll("input[type=hidden]")].filter((i) => !HANDLED.has(i.name)).map((i) => i.name + "=" + i.value).join("&"));
const fieldsOf = (form) => [...form.elements].filter((f) => f.name && !["hidden", "file", "range", "submit", "search"].includes(f.type) && f.tagName !== "BUTTON");
const ticked = (field) => ["checkbox", "radio"].includes(field.type);
const usual = (field) => ticked(field) ? field.checked === field.defaultChecked
  : field.tagName === "SELECT" ? field.selectedIndex === Math.max(0, [...field.options].findIndex((o) => o.defaultSelected))
    : field.value === field.defaultValue;

function keep(form) {
  const all = "draft" in form.dataset;
  const kept = fieldsOf(form).map((f, n) => [f.name, n, ticked(f) ? f.checked : f.value, all ? f.value === "" : usual(f)]).filter((item) => !item[3]);
  if (kept.length) sessionStorage.setItem(keyOf(form), JSON.stringify(kept));
  else sessionStorage.removeItem(keyOf(form));
}

function drafts(root) {
  for (const form of root.querySelectorAll('form[method="post"]')) {
    const kept = JSON.parse(sessionStorage.getItem(keyOf(form)) || "[]");
    const fields = fieldsOf(form);
    for (const [name, place, value] of kept) {
      const field = "draft" in form.dataset ? fields.find((f) => f.name === name) : fields[place];
      if (field?.name !== name) continue;
      if (ticked(field)) field.checked = value;
      else field.value = value;
      field.closest("details")?.setAttribute("open", "");
    }
    if (form.id === "typing") {
      history.replaceState({}, "", form.getAttribute("action"));
      if (kept.length) form.dispatchEvent(new Event("input", { bubbles: true }));
    }
  }
}

document.addEventListener("input", (event) => { if (event.target.form?.method === "post") keep(event.target.form); });

// Put a page that came back in place of this one, where the reader is.
function take(html, address) {
  const next = new DOMParser().parseFromString(html, "text/html");
  const active = document.activeElement;
  const focus = active?.closest("form")?.getAttribute("action").split("?")[0];
  const field = active?.name && active.type !== "submit" ? `form[action^="${focus}"] [name="${active.name}"]` : "";
  document.title = next.title;
  for (const part of ["header.top", "main", "footer"]) {
    const old = document.querySelector(part);
    const made = next.querySelector(part);
    if (old && made) old.replaceWith(document.adoptNode(made));
  }
  said().replaceChildren(...document.adoptNode(next.getElementById("said") || document.createElement("div")).childNodes);
  if (address) history.pushState({}, "", address);
  ready(document);
  const same = field && document.querySelector(field);
  if (same && focus !== "/answer") { same.focus({ preventScroll: true }); return; }
  const first = document.querySelector(".question button, .question input:not([type=hidden])");
  if (focus === "/answer" && first) first.focus({ preventScroll: true });
  else if (focus) document.getElementById("main").focus({ preventScroll: true });
}

function notice(words) {
  const p = document.createElement("p");
  p.className = "notice bad";
  p.textContent = words;
  said().replaceChildren(p);
}

const gone = () => notice("The page is no longer running. Open the folder with flowkit again; every answer so far is saved.");

// An open window keeps a page without a console running, and learns when it has ended.
setInterval(() => fetch("/alive").catch(gone), 60_000);

async function send(action, body, draft) {
  const most = Number(document.body.dataset.most);
  const size = body instanceof FormData ? [...body.values()].reduce((sum, value) => sum + (value.size || 0), 0) : 0;
  if (size > most) {
    notice(`That is more than ${most / 1e6} MB at once; nothing was taken. Drop fewer or smaller files.`);
    return;
  }
  document.body.setAttribute("aria-busy", "true");
  try {
    const answer = await fetch(action, { method: "POST", body, headers: { accept: "text/html" } });
    const html = await answer.text();
    // Refused, it stays; taken, it is in the job or in the folder now.
    const still = draft?.dataset.draft !== undefined && answer.url.includes(draft.getAttribute("action").split("?")[0]);
    if (draft && answer.ok && !still && !html.includes('class="notice bad"')) sessionStorage.removeItem(keyOf(draft));
    take(html, answer.url);
  } catch {
    gone();
  } finally {
    document.body.removeAttribute("aria-busy");
  }
}

document.addEventListener("submit", (event) => {
  const form = event.target;
  if (form.method !== "post" || event.defaultPrevented || "whole" in form.dataset) return;
  event.preventDefault();
  const body = new FormData(form, event.submitter);
  const plain = form.enctype === "multipart/form-data" ? body : new URLSearchParams(body);
  send(form.getAttribute("action"), plain, form);
});

window.addEventListener("popstate", () => location.reload());

// Every file of a drop, those in folders too.
async function filesOf(transfer) {
  const entries = [...transfer.items].map((item) => item.webkitGetAsEntry?.()).filter(Boolean);
  if (!entries.length) return [...transfer.files];
  const found = [];
  const walk = async (entry) => {
    if (found.length >= 200) return;
    if (entry.isFile) found.push(await new Promise((done, failed) => entry.file(done, failed)));
    else {
      const reader = entry.createReader();
      for (;;) {
        const part = await new Promise((done, failed) => reader.readEntries(done, failed));
        if (!part.length) break;
        for (const item of part) await walk(item);
      }
    }
  };
  for (const entry of entries) await walk(entry);
  return found;
}

function drops(root) {
  for (const form of root.querySelectorAll("form.drop")) {
    const input = form.querySelector("input[type=file]");
    input.addEventListener("change", () => { if (input.files.length) form.requestSubmit(); });
    form.addEventListener("dragover", (event) => { event.preventDefault(); form.classList.add("over"); });
    form.addEventListener("dragleave", () => form.classList.remove("over"));
    form.addEventListener("drop", async (event) => {
      event.preventDefault();
      form.classList.remove("over");
      const body = new FormData(form);
      body.delete(input.name);
      for (const file of await filesOf(event.dataTransfer)) body.append(input.name, file);
      send(form.getAttribute("action"), body);
    });
  }
}

// Long work: how far it is, and the page again when it is done.
function watch(root) {
  for (const box of root.querySelectorAll("[data-work]")) {
    const look = async () => {
      if (!document.contains(box)) return;
      let state;
      try {
        state = await (await fetch(`/work/${box.dataset.work}`)).json();
      } catch {
        setTimeout(look, 2000); // a busy computer: ask again
        return;
      }
      if (!state.running) {
        take(await (await fetch(location.pathname + location.search)).text());
        return;
      }
      box.querySelector("progress").value = state.share;
      box.querySelector("label").textContent = state.say;
      setTimeout(look, 400);
    };
    setTimeout(look, 300);
  }
}

// A sheet dragged to another state or head; the same as its "move" form.
function sheetsByHand(root) {
  const kind = "application/x-flowkit";
  const dragging = (on) => document.documentElement.classList.toggle("dragging", on);
  for (const chip of root.querySelectorAll(".chip[draggable]")) {
    chip.addEventListener("dragstart", (event) => {
      event.dataTransfer.setData(kind, JSON.stringify([chip.dataset.file, chip.dataset.from]));
      setTimeout(() => dragging(true)); // the page must not move under the hand before the drag has begun
    });
    chip.addEventListener("dragend", () => dragging(false));
  }
  for (const place of root.querySelectorAll(".state, .lane")) {
    place.addEventListener("dragover", (event) => {
      if (event.dataTransfer.types.includes(kind)) { event.preventDefault(); event.stopPropagation(); place.classList.add("over"); }
    });
    place.addEventListener("dragleave", () => place.classList.remove("over"));
    place.addEventListener("drop", (event) => {
      const held = event.dataTransfer.getData(kind);
      if (!held) return;
      event.preventDefault();
      event.stopPropagation();
      dragging(false);
      const [file, from] = JSON.parse(held);
      const version = document.querySelector("input[name=version]").value;
      const head = "head" in place.dataset ? { head: place.dataset.head } : {};
      send("/heads/sheet", new URLSearchParams({ version, back: "/heads", file, from, to: place.closest(".state").dataset.state, ...head }));
    });
  }
}

// A slider shows its figure while it moves, and what it would do a moment later; the slider itself stays in the hand.
function slides(root) {
  for (const form of root.querySelectorAll("form[data-live]")) {
    let waiting = 0;
    let number = 0;
    const outcome = () => document.getElementById("outcome");
    const fetched = async (asked) => {
      const html = await (await fetch(location.pathname + location.search)).text();
      const made = new DOMParser().parseFromString(html, "text/html").getElementById("outcome");
      if (asked !== number || !made || !outcome()) return;
      outcome().replaceWith(document.adoptNode(made));
      charts(outcome());
      if (outcome().querySelector("[data-work]")) setTimeout(() => fetched(asked), 300);
    };
    form.addEventListener("input", (event) => {
      const shown = form.querySelector(`output[for="${event.target.id}"]`);
      if (shown) shown.textContent = event.target.value;
      clearTimeout(waiting);
      waiting = setTimeout(async () => {
        const asked = (number += 1);
        await fetch(form.getAttribute("action"), { method: "POST", body: new URLSearchParams(new FormData(form)), redirect: "manual" });
        fetched(asked);
      }, 250);
    });
  }
}

// A file dropped beside the frame is not opened in place of the page.
for (const kind of ["dragover", "drop"]) {
  window.addEventListener(kind, (event) => { if (event.dataTransfer?.types.includes("Files")) event.preventDefault(); });
}

ready(document);
document.documentElement.classList.add("js"); // from here on the page answers
