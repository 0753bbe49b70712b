
// Tables can be copied: tabs between cells, as spreadsheets take them.
for (const table of document.querySelectorAll("table[data-copy]")) {
  const button = document.createElement("button");
  button.textContent = "Copy this table";
  button.addEventListener("click", async () => {
    const text = [...table.rows].map((row) => [...row.cells].map((cell) => cell.textContent.trim()).join("\t")).join("\n");
    try { await navigator.clipboard.writeText(text); button.textContent = "Copied"; }
    catch { const range = document.createRange(); range.selectNode(table); getSelection().removeAllRanges(); getSelection().addRange(range); button.textContent = "Selected: copy it with Ctrl-C"; }
  });
  table.parentElement.after(button);
}
