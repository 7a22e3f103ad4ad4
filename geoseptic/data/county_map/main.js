// Puts the page together: data, map, panels, and what moves them.

const NEAREST_STEPS = 9;
const calm = window.matchMedia("(prefers-reduced-motion: reduce)").matches;

function start(data) {
  const places = new Places(data);
  const drawing = new Drawing(data, places);
  const filter = new Filter(data);
  const lowered = data.ids.map((id) => id.toLowerCase());
  const [west, south, east, north] = places.all;

  // Zoom 0 shows the whole county; the map counts steps from the county's north-west corner.
  const box = byId("map");
  const fit = Math.min(box.clientWidth / (east - west), box.clientHeight / (north - south)) * 0.92;
  const crs = L.extend({}, L.CRS.Simple, {
    transformation: new L.Transformation(fit, 0, -fit, 0),
    distance: (one, other) => Math.hypot(one.lng - other.lng, one.lat - other.lat) * data.quantum_m,
  });
  const middle = [(south + north) / 2, (west + east) / 2];
  const bounds = L.latLngBounds([south, west], [north, east]).pad(0.6);
  const map = L.map(box, {
    crs, minZoom: -2, maxZoom: NEAREST_STEPS, attributionControl: false, maxBounds: bounds,
    zoomAnimation: !calm, fadeAnimation: false, inertia: !calm,
  });
  map.setView(middle, 0);
  L.control.scale({ imperial: data.feet, metric: true, maxWidth: 120 }).addTo(map);
  const Tiles = L.GridLayer.extend({
    createTile(coords) {
      const canvas = document.createElement("canvas");
      drawing.tile(canvas, coords.x * TILE, coords.y * TILE, fit * 2 ** coords.z);
      return canvas;
    },
  });
  const tiles = new Tiles({ minZoom: -2, maxZoom: NEAREST_STEPS, tileSize: TILE, keepBuffer: 1, updateWhenZooming: false }).addTo(map);
  const mark = L.layerGroup().addTo(map);
  let chosen = -1, beside = [];

  const redraw = () => {
    drawing.shown = filter.shown;
    tiles.redraw();
  };
  const spread = () => drawSpread(data, filter, data.figures[Number(byId("figure").value)]);
  const tell = () => {
    byId("shown").textContent = `${number(filter.total)} of ${number(data.count)} parcels`;
  };
  const changed = () => {
    filter.apply();
    refresh();
    tell();
    spread();
    listShown();
    redraw();
  };
  let refresh = drawFacets(data, filter, false, changed);

  const going = (parcel) => pick(parcel, [], true);
  const search = () => {
    const text = byId("search").value;
    const found = text.trim() ? searched(data, lowered, text) : [];
    drawList(byId("found"), data, found, going);
    byId("found-count").textContent = text.trim() ? counted(found, "with this in the number") : "";
  };
  const listShown = () => {
    if (!byId("list").open) return;
    const found = listed(data, filter);
    drawList(byId("listed"), data, found, going);
    byId("list-count").textContent = counted(found, data.numbers["rank rank"] ? "shown, by place in the order" : "shown");
  };

  const outline = (parcel) => {
    const { rings, corners, xy } = data;
    const lines = [];
    for (let ring = rings[parcel]; ring < rings[parcel + 1]; ring++) {
      lines.push(Array.from({ length: corners[ring + 1] - corners[ring] }, (_, n) => [xy[2 * (corners[ring] + n) + 1], xy[2 * (corners[ring] + n)]]));
    }
    return lines;
  };

  function pick(parcel, others = [], go = false) {
    chosen = parcel;
    beside = others;
    mark.clearLayers();
    if (places.hasShape(parcel)) {
      for (const [color, weight] of [["#ffffff", 8], ["#000000", 3.5]]) L.polygon(outline(parcel), { color, weight, fill: false, interactive: false }).addTo(mark);
      if (go) {
        const at = places.boxes.subarray(4 * parcel, 4 * parcel + 4);
        map.fitBounds([[at[1], at[0]], [at[3], at[2]]], { maxZoom: Math.max(map.getZoom(), map.getBoundsZoom(L.latLngBounds([at[1], at[0]], [at[3], at[2]])) - 2), animate: !calm });
      }
    } else {
      byId("status").textContent = "This parcel has no outline: it is not on the map.";
    }
    drawParcel(data, parcel, others, drawing.patterns, (other, rest = []) => pick(other, rest));
    byId("parcel-title").focus({ preventScroll: true });
    byId("parcel").scrollIntoView({ block: "nearest", behavior: calm ? "auto" : "smooth" });
  }

  function unpick() {
    chosen = -1;
    mark.clearLayers();
    byId("parcel").hidden = true;
    box.focus({ preventScroll: true });
  }

  // Of several parcels over each other the smallest first.
  const at = (place) => places.holding(place.lng, place.lat).sort((one, other) => drawing.side(one) - drawing.side(other));
  const pickAt = (place) => {
    const [first, ...others] = at(place);
    if (first !== undefined) pick(first, others);
  };

  map.on("click", (event) => pickAt(event.latlng));
  map.on("mousemove", (event) => {
    const [first] = at(event.latlng);
    const facet = drawing.facet;
    byId("under").replaceChildren(...(first === undefined ? [] : [named(data.ids[first]), `: ${facet.kinds[data.classes[facet.name][first]].name}`]));
  });
  map.on("mouseout", () => byId("under").replaceChildren());
  box.addEventListener("keydown", (event) => {
    if (event.key === "Enter" && event.target === box) pickAt(map.getCenter());
  });
  document.addEventListener("keydown", (event) => {
    if (event.key === "Escape" && chosen >= 0) unpick();
  });
  byId("close").addEventListener("click", unpick);
  byId("search").addEventListener("input", search);
  byId("list").addEventListener("toggle", listShown);
  byId("search-form").addEventListener("submit", (event) => {
    event.preventDefault();
    const text = byId("search").value;
    const [first] = text.trim() ? searched(data, lowered, text) : [];
    if (first !== undefined) pick(first, [], true);
  });
  byId("whole").addEventListener("click", () => map.setView(middle, 0, { animate: !calm }));
  byId("all").addEventListener("click", () => {
    for (const facet of data.facets) filter.wanted[facet.name].fill(true);
    changed();
  });
  byId("patterns").addEventListener("change", (event) => {
    drawing.patterns = event.target.checked;
    refresh = drawFacets(data, filter, drawing.patterns, changed);
    if (chosen >= 0) drawParcel(data, chosen, beside, drawing.patterns, (other, rest = []) => pick(other, rest));
    redraw();
  });
  byId("colour").append(...data.facets.map((facet, n) => element("option", { value: String(n), text: facet.title })));
  byId("colour-by").hidden = data.facets.length < 2;
  byId("colour").addEventListener("change", (event) => {
    drawing.facet = data.facets[Number(event.target.value)];
    redraw();
  });
  data.figures.forEach((figure, n) => figure.spread && byId("figure").append(element("option", { value: String(n), text: figure.words })));
  byId("figure").addEventListener("change", spread);

  box.setAttribute("role", "application");
  box.setAttribute("aria-label", "Map of the parcels. Arrow keys move it, plus and minus zoom, Enter opens the parcel at the cross in the middle.");
  drawRun(data);
  if (data.visits && data.visits.length) {
    drawVisits(data, going);
    byId("survey").hidden = false;
  }
  tell();
  spread();
  redraw();
  for (const id of ["search-form", "filters", "spread", "run"]) byId(id).hidden = false;
  byId("status").textContent = "";

  // A link to county_map.html#parcel=NUMBER opens the map at that parcel.
  const asked = () => {
    const wanted = new URLSearchParams(window.location.hash.slice(1)).get("parcel");
    const parcel = wanted === null ? -1 : data.ids.indexOf(wanted);
    if (parcel >= 0) pick(parcel, [], true);
  };
  window.addEventListener("hashchange", asked);
  asked();
}

async function open() {
  byId("status").textContent = "Reading the parcels ...";
  try {
    if (!("DecompressionStream" in window)) throw new Error("this browser is too old to unpack the parcels; any of 2023 or later can");
    const holder = byId("data");
    const data = await unpacked(holder.textContent);
    holder.remove();
    start(data);
    document.documentElement.dataset.readyMs = String(Math.round(performance.now()));
  } catch (error) {
    const status = byId("status");
    status.className = "fault";
    status.textContent = `The map cannot be shown: ${error.message}. The same parcels are in screening.gpkg.`;
    throw error;
  }
}

open();
