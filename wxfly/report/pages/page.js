(async () => {
  "use strict";
  const boxes = [...document.querySelectorAll(".chart")];
  const tell = (text) => boxes.forEach((box) => { box.textContent = text; });
  const openTables = () => document.querySelectorAll("details.table").forEach((d) => { d.open = true; });
  const unpack = async (id) => {
    const text = atob(document.getElementById(id).textContent);
    const bytes = new Uint8Array(text.length);
    for (let i = 0; i < text.length; i++) bytes[i] = text.charCodeAt(i);
    const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("gzip"));
    return new Response(stream).text();
  };
  const narrow = 700;
  const settings = { displayModeBar: false, displaylogo: false, showSendToCloud: false, scrollZoom: false,
    doubleClick: false };
  try {
    const charts = JSON.parse(await unpack("charts"));
    const library = await unpack("library");
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
    script.textContent = library;
    document.head.appendChild(script);
    const draw = (box) => {
      const width = Math.floor(box.getBoundingClientRect().width);
      if (!width || width === Number(box.dataset.width)) return;
      if (!box.dataset.width) box.textContent = "";
      box.dataset.width = String(width);
      const { wide, tall } = charts[box.id];
      const figure = width < narrow ? tall : wide;
      const traces = structuredClone(figure.data || wide.data);
      // Hover texts that are only turned are kept once.
      traces.forEach((trace, i) => {
        const texts = wide.data[i].customdata;
        if (trace.type === "heatmap" && !trace.customdata) {
          trace.customdata = texts[0].map((_, column) => texts.map((row) => row[column]));
        }
      });
      Plotly.react(box, traces, { ...structuredClone(figure.layout), width }, settings);
    };
    const seen = new IntersectionObserver((entries) => {
      entries.filter((e) => e.isIntersecting).forEach((e) => draw(e.target));
    }, { rootMargin: "600px" });
    boxes.forEach((box) => seen.observe(box));
    window.addEventListener("resize", () => boxes.filter((b) => b.dataset.width).forEach(draw));
  } catch (fault) {
    tell("This browser cannot draw the chart; the tables have the same values.");
    openTables();
  }
})();
