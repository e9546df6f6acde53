(async () => {
  "use strict";
  const boxes = [...document.querySelectorAll(".chart")];
  const folded = [...document.querySelectorAll("details")];
  const tell = (text) => boxes.forEach((box) => { box.textContent = text; });
  const unpack = async (id) => {
    const text = atob(document.getElementById(id).textContent);
    const bytes = new Uint8Array(text.length);
    for (let i = 0; i < text.length; i++) bytes[i] = text.charCodeAt(i);
    const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("gzip"));
    return new Response(stream).text();
  };
  // Narrower than this a chart is drawn tall; on paper the style fits this width between the margins of A4.
  const narrow = 800, paper = 1000;
  const settings = { displayModeBar: false, displaylogo: false, showSendToCloud: false, scrollZoom: false,
    doubleClick: false };
  // Paper opens what is folded, and folds it again; of what was folded it shows the tables, not the charts.
  let opened = [];
  window.addEventListener("beforeprint", () => {
    opened = folded.filter((d) => !d.open);
    opened.forEach((d) => { d.open = true; d.classList.add("folded"); });
  });
  window.addEventListener("afterprint", () => opened.forEach((d) => {
    d.open = false;
    d.classList.remove("folded");
  }));
  try {
    const holder = document.getElementById("charts");
    // A page of a server names the library's address; a page that is a file holds the library itself.
    const { onDark, inSun, library: address } = holder.dataset;
    let charts = JSON.parse(address ? holder.textContent : await unpack("charts"));
    // A page of a server may get newer charts.
    let redraw = () => {};
    document.addEventListener("charts", () => {
      charts = JSON.parse(document.getElementById("charts").textContent);
      redraw();
    });
    // Its charts may lie far below: the library is fetched when the first comes near.
    if (address) {
      await new Promise((near) => {
        const watch = new IntersectionObserver((entries) => {
          if (!entries.some((e) => e.isIntersecting)) return;
          watch.disconnect();
          near();
        }, { rootMargin: "600px" });
        boxes.forEach((box) => watch.observe(box));
      });
    }
    const library = address ? await (await fetch(address)).text() : await unpack("library");
    const lights = { dark: JSON.parse(onDark), sun: JSON.parse(inSun) };
    const dark = window.matchMedia("(prefers-color-scheme: dark)");
    const sunlight = document.getElementById("sunlight");
    const light = () => (sunlight.checked ? "sun" : dark.matches ? "dark" : "plain");
    const inLight = (figure, stands) => JSON.parse(JSON.stringify(figure).replace(
      new RegExp(Object.keys(stands).map((c) => c.replace(/[().]/g, "\\$&")).join("|"), "g"), (found) => stands[found],
    ));
    // The library looks for its map's style sheet by id before it adds it; no map is drawn here and the policy of
    // this page would refuse the sheet.
    for (const [, id] of library.matchAll(/getElementById\("([0-9a-f]{32,})"\)/g)) {
      document.head.appendChild(Object.assign(document.createElement("meta"), { id }));
    }
    // The policy refuses style attributes; the same style through the style object is allowed.
    const setAttribute = Element.prototype.setAttribute;
    Element.prototype.setAttribute = function (name, value) {
      if (name === "style" && this.style) this.style.cssText = value;
      else setAttribute.call(this, name, value);
    };
    const script = document.createElement("script");
    if (address) script.src = address;
    else script.textContent = library;
    const loaded = new Promise((done, fail) => { script.onload = done; script.onerror = fail; });
    document.head.appendChild(script);
    if (address) await loaded;
    // The hour of a map is chosen with a control of the page, which works by keyboard too.
    const hourOf = (box) => document.querySelector(`[data-hour-of="${box.id}"]`)?.value;
    const draw = (box, width = Math.floor(box.getBoundingClientRect().width), by = light()) => {
      const hour = hourOf(box), drawn = `${hour || ""} ${width} ${by}`;
      if (!width || drawn === box.dataset.drawn) return;
      if (!box.dataset.drawn) box.textContent = "";
      box.dataset.drawn = drawn;
      box.dataset.width = String(width);
      const { wide, tall, hours } = charts[box.id];
      const shape = width < narrow ? tall : wide;
      const figure = structuredClone({ data: shape.data || wide.data, layout: shape.layout });
      if (hour) hours[hour].data.forEach((values, i) => Object.assign(figure.data[i], values));
      // Hover texts that are only turned are kept once.
      figure.data.forEach((trace, i) => {
        const texts = wide.data[i].customdata;
        if (trace.type === "heatmap" && !trace.customdata) {
          trace.customdata = texts[0].map((_, column) => texts.map((row) => row[column]));
        }
      });
      const { data, layout } = lights[by] ? inLight(figure, lights[by]) : figure;
      Plotly.react(box, data, { ...layout, width }, settings);
    };
    for (const control of document.querySelectorAll("[data-hour-of]")) {
      const choose = () => {
        const words = control.list.options[control.value].label;
        control.setAttribute("aria-valuetext", words);
        control.parentElement.querySelector(".said").textContent = words;
        const box = document.getElementById(control.dataset.hourOf);
        if (box.dataset.drawn) draw(box);
      };
      control.addEventListener("input", choose);
      control.parentElement.hidden = false;
      choose();
    }
    const seen = new IntersectionObserver((entries) => {
      entries.filter((e) => e.isIntersecting).forEach((e) => draw(e.target));
    }, { rootMargin: "600px" });
    boxes.forEach((box) => seen.observe(box));
    const again = () => boxes.filter((b) => b.dataset.drawn).forEach((box) => draw(box));
    window.addEventListener("resize", again);
    redraw = () => boxes.filter((b) => b.dataset.drawn).forEach((box) => { box.dataset.drawn = "old"; draw(box); });
    dark.addEventListener("change", again);
    sunlight.addEventListener("change", again);
    window.addEventListener("beforeprint", () => {
      boxes.filter((box) => !box.closest(".folded")).forEach((box) => draw(box, paper, "plain"));
    });
    window.addEventListener("afterprint", again);
  } catch (fault) {
    tell("This browser cannot draw the chart; the tables have the same values.");
    folded.filter((d) => d.className === "table").forEach((d) => { d.open = true; });
  }
})();
