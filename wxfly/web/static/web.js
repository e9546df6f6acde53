(() => {
  "use strict";
  // The box for bright sun keeps its state from page to page.
  const sunlight = document.getElementById("sunlight");
  if (sunlight) {
    try {
      if (localStorage.getItem("sunlight") === "on" && !sunlight.checked) {
        sunlight.checked = true;
        sunlight.dispatchEvent(new Event("change"));
      }
      sunlight.addEventListener("change", () => localStorage.setItem("sunlight", sunlight.checked ? "on" : "off"));
    } catch { /* a browser that keeps nothing */ }
  }
  // A menu that scrolls shows the page that is open. Moved by hand: scrollIntoView would let the Tab key start there.
  const here = document.querySelector("nav [aria-current]"), menu = here?.closest("ul");
  if (menu) {
    const [of, all] = [here, menu].map((one) => one.getBoundingClientRect());
    menu.scrollLeft += of.left + of.width / 2 - all.left - all.width / 2;
  }
  // What is still being asked comes by itself, without losing what is typed elsewhere on the page.
  const askAgain = async () => {
    const waiting = document.querySelector("[data-ask-again]");
    if (!waiting) return;
    try {
      const reply = await fetch(location.href, { headers: { accept: "text/html" } });
      const page = new DOMParser().parseFromString(await reply.text(), "text/html");
      const next = waiting.id && page.getElementById(waiting.id);
      if (next) {
        // The map of the same places comes along; its element stays, as the map is drawn into it.
        for (const id of ["state", "map-table", "charts"]) {
          const old = document.getElementById(id), newer = page.getElementById(id);
          if (old && newer) old.replaceWith(document.importNode(newer, true));
        }
        document.dispatchEvent(new Event("charts"));
      }
      else if (!page.querySelector("[data-ask-again]")) { location.reload(); return; }
      else {
        const status = page.querySelector("[role=status]"), old = waiting.querySelector("[role=status]");
        if (status && old) old.textContent = status.textContent;
      }
    } catch { /* the server is away: try again */ }
    setTimeout(askAgain, 1500);
  };
  setTimeout(askAgain, 700);
  // A long text can also be chosen as a file; it is read here and sent with the form.
  for (const text of document.querySelectorAll("textarea[data-takes-file]")) {
    const label = document.createElement("label"), choose = document.createElement("input");
    label.append("or choose the file ", choose);
    choose.type = "file";
    choose.addEventListener("change", async () => { if (choose.files[0]) text.value = await choose.files[0].text(); });
    text.after(label);
  }
  if ("serviceWorker" in navigator && window.isSecureContext) navigator.serviceWorker.register("/worker.js");
})();
