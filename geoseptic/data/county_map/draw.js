// Parcels on canvases: a tile is drawn when the map wants it, class by class, what is unknown last so that it is never covered.

const TILE = 256;
const HIDDEN = "#f3f2ec";
const LEAST_DOT = 1;
const DETAIL_PX = 0.7;
const OUTLINES_FROM_PX = 5;
const PATTERNS_FROM_PX = 12;
// Many small paths are filled sooner than one of all.
const A_PATH = 128;

function inkOn(colour) {
  const [r, g, b] = [1, 3, 5].map((at) => parseInt(colour.slice(at, at + 2), 16));
  return 0.3 * r + 0.59 * g + 0.11 * b > 110 ? "rgba(0,0,0,.75)" : "rgba(255,255,255,.85)";
}

// A small square that repeats, 8 by 8, of the named pattern; null where the colour alone stands.
function patternOf(context, kind) {
  if (kind.pattern === "plain") return null;
  const square = document.createElement("canvas");
  square.width = square.height = 8;
  const pen = square.getContext("2d");
  pen.strokeStyle = pen.fillStyle = inkOn(kind.colour);
  pen.lineWidth = 1.2;
  pen.beginPath();
  if (kind.pattern === "lines") pen.rect(0, 3, 8, 1.2);
  if (kind.pattern === "dots") pen.arc(4, 4, 1.3, 0, 7);
  if (kind.pattern === "lines" || kind.pattern === "dots") pen.fill();
  if (kind.pattern === "hatch" || kind.pattern === "cross") for (const at of [-8, 0, 8]) strike(pen, at, 8, at + 8, 0);
  if (kind.pattern === "cross") for (const at of [-8, 0, 8]) strike(pen, at, 0, at + 8, 8);
  pen.stroke();
  return context.createPattern(square, "repeat");
}

function strike(pen, x1, y1, x2, y2) {
  pen.moveTo(x1, y1);
  pen.lineTo(x2, y2);
}

function swatch(kind, withPattern) {
  const canvas = document.createElement("canvas");
  canvas.className = "swatch";
  canvas.width = 26;
  canvas.height = 18;
  canvas.setAttribute("aria-hidden", "true");
  const pen = canvas.getContext("2d");
  for (const fill of [kind.colour, withPattern || kind.always ? patternOf(pen, kind) : null]) {
    if (fill === null) continue;
    pen.fillStyle = fill;
    pen.fillRect(0, 0, 26, 18);
  }
  return canvas;
}

// What is drawn: the map's state that tiles depend on.
class Drawing {
  constructor(data, places) {
    this.data = data;
    this.places = places;
    this.facet = data.facets[0];
    this.shown = new Uint8Array(data.count).fill(1);
    this.patterns = false;
  }

  // `left` and `top` are the tile's corner and `scale` the pixels a step, both in the map's pixels from the county's north-west corner.
  tile(canvas, left, top, scale) {
    const { places } = this;
    const dense = window.devicePixelRatio || 1;
    canvas.width = canvas.height = TILE * dense;
    const pen = canvas.getContext("2d");
    pen.scale(dense, dense);
    const margin = 2 / scale;
    const west = left / scale - margin, north = -top / scale + margin;
    const found = places.within(west, north - TILE / scale - 2 * margin, west + TILE / scale + 2 * margin, north);
    const groups = [[], ...this.facet.kinds.map(() => [])];
    const classes = this.data.classes[this.facet.name];
    let sides = 0;
    for (const parcel of found) {
      groups[this.shown[parcel] ? classes[parcel] + 1 : 0].push(parcel);
      sides += this.side(parcel);
    }
    const sidePx = found.length ? (sides / found.length) * scale : 0;
    groups.forEach((parcels, n) => {
      const kind = n ? this.facet.kinds[n - 1] : null;
      const pattern = kind && sidePx > PATTERNS_FROM_PX && (kind.always || this.patterns) ? patternOf(pen, kind) : null;
      pen.lineWidth = sidePx > 40 ? 1.2 : 0.7;
      pen.strokeStyle = kind ? "#ffffff" : "#b4b4aa";
      for (let first = 0; first < parcels.length; first += A_PATH) {
        this.path(pen, parcels.slice(first, first + A_PATH), left, top, scale);
        for (const fill of [kind ? kind.colour : HIDDEN, pattern]) {
          if (fill === null) continue;
          pen.fillStyle = fill;
          pen.fill();
        }
        if (sidePx > OUTLINES_FROM_PX) pen.stroke();
      }
    });
    if (this.facet.name === "verdict") this.dim(pen, found, left, top, scale, sidePx);
  }

  // Where nobody can say, a verdict that holds only if all lies as it is drawn must not look like a clearance.
  dim(pen, found, left, top, scale, sidePx) {
    const sure = this.data.facets.find((facet) => facet.name === "sure");
    if (!sure) return;
    const open = sure.kinds.length - 1, kind = sure.kinds[open];
    const pattern = sidePx > PATTERNS_FROM_PX ? patternOf(pen, kind) : null;
    const parcels = found.filter((parcel) => this.shown[parcel] && this.data.classes.sure[parcel] === open);
    for (let first = 0; first < parcels.length; first += A_PATH) {
      this.path(pen, parcels.slice(first, first + A_PATH), left, top, scale);
      for (const fill of [`${kind.colour}b0`, pattern]) {
        if (fill === null) continue;
        pen.fillStyle = fill;
        pen.fill();
      }
    }
  }

  side(parcel) {
    const { boxes } = this.places, at = 4 * parcel;
    return Math.max(boxes[at + 2] - boxes[at], boxes[at + 3] - boxes[at + 1]);
  }

  // Corners nearer to each other than can be seen are left out; a parcel smaller than a dot stays a dot, and is never lost.
  path(pen, parcels, left, top, scale) {
    const { rings, corners, xy } = this.data, { boxes } = this.places;
    pen.beginPath();
    for (const parcel of parcels) {
      const at = 4 * parcel;
      if (this.side(parcel) * scale < 3 * LEAST_DOT) {
        const width = (boxes[at + 2] - boxes[at]) * scale, height = (boxes[at + 3] - boxes[at + 1]) * scale;
        pen.rect(boxes[at] * scale - left, -boxes[at + 3] * scale - top, Math.max(LEAST_DOT, width), Math.max(LEAST_DOT, height));
        continue;
      }
      for (let ring = rings[parcel]; ring < rings[parcel + 1]; ring++) {
        let beforeX = Infinity, beforeY = Infinity;
        for (let n = corners[ring]; n < corners[ring + 1]; n++) {
          const x = xy[2 * n] * scale - left, y = -xy[2 * n + 1] * scale - top;
          if (beforeX === Infinity) pen.moveTo(x, y);
          else if (Math.abs(x - beforeX) < DETAIL_PX && Math.abs(y - beforeY) < DETAIL_PX) continue;
          else pen.lineTo(x, y);
          beforeX = x;
          beforeY = y;
        }
        pen.closePath();
      }
    }
  }
}
