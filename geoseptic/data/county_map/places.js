// Which parcels lie where: a grid of squares over the county. Everything is in steps of the packed corners, y northward.

const PARCELS_A_SQUARE = 8;

class Places {
  constructor(data) {
    const { count, rings, corners, xy } = data;
    this.data = data;
    this.boxes = new Int32Array(4 * count);
    const all = [Infinity, Infinity, -Infinity, -Infinity];
    for (let parcel = 0; parcel < count; parcel++) {
      const box = [Infinity, Infinity, -Infinity, -Infinity];
      for (let n = corners[rings[parcel]]; n < corners[rings[parcel + 1]]; n++) {
        box[0] = Math.min(box[0], xy[2 * n]);
        box[1] = Math.min(box[1], xy[2 * n + 1]);
        box[2] = Math.max(box[2], xy[2 * n]);
        box[3] = Math.max(box[3], xy[2 * n + 1]);
      }
      if (box[0] === Infinity) continue;
      this.boxes.set(box, 4 * parcel);
      for (const k of [0, 1]) all[k] = Math.min(all[k], box[k]);
      for (const k of [2, 3]) all[k] = Math.max(all[k], box[k]);
    }
    this.all = all[0] === Infinity ? [0, 0, 1000, 1000] : all;
    const width = Math.max(1, this.all[2] - this.all[0]), height = Math.max(1, this.all[3] - this.all[1]);
    this.side = Math.max(1, Math.sqrt((width * height * PARCELS_A_SQUARE) / Math.max(1, count)));
    this.across = Math.floor(width / this.side) + 1;
    this.down = Math.floor(height / this.side) + 1;
    const lengths = new Int32Array(this.across * this.down);
    this.each(count, (square) => lengths[square]++);
    this.starts = offsets(lengths);
    this.members = new Int32Array(this.starts[lengths.length]);
    const next = this.starts.slice();
    this.each(count, (square, parcel) => (this.members[next[square]++] = parcel));
    this.seen = new Int32Array(count);
    this.turn = 0;
  }

  each(count, visit) {
    for (let parcel = 0; parcel < count; parcel++) {
      if (!this.hasShape(parcel)) continue;
      const box = this.boxes.subarray(4 * parcel, 4 * parcel + 4);
      for (const square of this.squares(box[0], box[1], box[2], box[3])) visit(square, parcel);
    }
  }

  *squares(west, south, east, north) {
    const column = (x) => Math.min(this.across - 1, Math.max(0, Math.floor((x - this.all[0]) / this.side)));
    const row = (y) => Math.min(this.down - 1, Math.max(0, Math.floor((y - this.all[1]) / this.side)));
    for (let r = row(south); r <= row(north); r++) for (let c = column(west); c <= column(east); c++) yield r * this.across + c;
  }

  hasShape(parcel) {
    return this.data.rings[parcel + 1] > this.data.rings[parcel];
  }

  // Parcels whose box comes into the given one, in their own order.
  within(west, south, east, north) {
    const found = [];
    this.turn++;
    for (const square of this.squares(west, south, east, north)) {
      for (let n = this.starts[square]; n < this.starts[square + 1]; n++) {
        const parcel = this.members[n], at = 4 * parcel;
        if (this.seen[parcel] === this.turn) continue;
        this.seen[parcel] = this.turn;
        if (this.boxes[at] <= east && this.boxes[at + 2] >= west && this.boxes[at + 1] <= north && this.boxes[at + 3] >= south) found.push(parcel);
      }
    }
    return found;
  }

  // Parcels that hold a point; several where they lie over each other.
  holding(x, y) {
    return this.within(x, y, x, y).filter((parcel) => this.holds(parcel, x, y));
  }

  holds(parcel, x, y) {
    const { rings, corners, xy } = this.data;
    let inside = false;
    for (let ring = rings[parcel]; ring < rings[parcel + 1]; ring++) {
      for (let n = corners[ring], before = corners[ring + 1] - 1; n < corners[ring + 1]; before = n++) {
        const y1 = xy[2 * n + 1], y2 = xy[2 * before + 1];
        if (y1 > y !== y2 > y && x < ((xy[2 * before] - xy[2 * n]) * (y - y1)) / (y2 - y1) + xy[2 * n]) inside = !inside;
      }
    }
    return inside;
  }
}
