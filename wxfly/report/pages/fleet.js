"use strict";
(() => {
  const [form] = document.getElementsByClassName("filter");
  const find = document.getElementById("find");
  const verdict = document.getElementById("verdict");
  const shown = document.getElementById("shown");
  const rows = [...document.querySelectorAll("tbody tr")];
  // The days are no words: a number typed is looked for in the other cells.
  const texts = rows.map((row) => [...row.children].filter((cell) => !cell.matches(".days"))
    .map((cell) => cell.textContent).join(" ").toLowerCase());
  const narrow = () => {
    const words = find.value.toLowerCase().split(/\s+/).filter(Boolean);
    let count = 0;
    rows.forEach((row, i) => {
      const fits = words.every((word) => texts[i].includes(word))
        && (!verdict.value || row.dataset.verdict === verdict.value);
      row.hidden = !fits;
      count += fits;
    });
    shown.textContent = `${count} of ${rows.length}`;
  };
  form.hidden = false;
  form.addEventListener("submit", (event) => event.preventDefault());
  find.addEventListener("input", narrow);
  verdict.addEventListener("change", narrow);
  narrow();
})();
