(() => {
  "use strict";
  // A click on the map opens the answer of the place that lies there, or the form of a new place at that point.
  const box = document.getElementById("map"), touch = 22;
  if (!box) return;
  box.addEventListener("click", (event) => {
    const area = box.querySelector(".nsewdrag"), drawn = box._fullLayout;
    if (!area || !drawn) return;
    const { left, top, width, height } = area.getBoundingClientRect();
    const [west, east] = drawn.xaxis.range, [south, north] = drawn.yaxis.range;
    const x = event.clientX - left, y = event.clientY - top;
    if (x < 0 || y < 0 || x > width || y > height) return;
    const places = box.data.find((trace) => trace.name === "places");
    let nearest = null, least = touch;
    places.x.forEach((longitude, i) => {
      const away = Math.hypot((longitude - west) / (east - west) * width - x,
        (north - places.y[i]) / (north - south) * height - y);
      if (away <= least) [nearest, least] = [places.meta[i], away];
    });
    if (nearest) { location.assign(nearest); return; }
    const longitude = west + (x / width) * (east - west), latitude = north - (y / height) * (north - south);
    if (Math.abs(latitude) > 90) return;
    const turned = ((longitude + 540) % 360 + 360) % 360 - 180;
    location.assign(`/places/new?latitude=${latitude.toFixed(5)}&longitude=${turned.toFixed(5)}`);
  });
})();
