// Tiles of one picture, asked for when they are first drawn.

const HELD = 160; // tiles kept

// Draws all tiles of one size that show on a canvas; `tile(level, x, y)` gives what `pen` can draw, or nothing.
function eachTile(about, level, view, canvas, draw) {
  const side = about.tile_px * 2 ** level;
  const shown = side * view.scale;
  const beyond = view.beyond ?? 0; // what is drawn turned has its corners elsewhere
  const first = (offset) => Math.max(0, Math.floor((-beyond - offset) / shown));
  const last = (offset, room, all) => Math.min(Math.ceil(all / side) - 1, Math.floor((room + beyond - offset) / shown));
  for (let y = first(view.top); y <= last(view.top, canvas.height, about.height_px); y += 1) {
    for (let x = first(view.left); x <= last(view.left, canvas.width, about.width_px); x += 1) {
      draw(x, y, view.left + x * shown, view.top + y * shown, 2 ** level * view.scale);
    }
  }
}

// The size whose pixels are nearest to the screen's.
export function levelFor(about, scale) {
  return Math.min(about.levels - 1, Math.max(0, Math.floor(Math.log2(1 / scale))));
}

export class Tiles {
  constructor(name, changed) {
    this.name = name;
    this.changed = changed;
    this.held = new Map();
    this.old = new Map();
    this.lift = 0;
  }

  // Asks what the picture is now. One of other content has tiles of its own; the old ones show until those are there.
  async open() {
    const answer = await fetch(`/pixels?name=${encodeURIComponent(this.name)}`);
    const about = await answer.json();
    if (!answer.ok) throw new Error(about.error);
    if (this.about && about.version !== this.about.version) {
      const same = about.width_px === this.about.width_px && about.height_px === this.about.height_px;
      this.old = same ? this.held : new Map();
      this.held = new Map();
    }
    this.about = about;
  }

  // Whether all that was last drawn is there and of the present content.
  get settled() {
    return Boolean(this.about) && [...this.held.values()].every((tile) => tile.complete);
  }

  // From coarse to fine: what is not there yet shows through from below.
  draw(pen, view) {
    const { about } = this;
    if (!about) return;
    const wanted = levelFor(about, view.scale);
    pen.imageSmoothingEnabled = view.scale < 2;
    for (let level = about.levels - 1; level >= wanted; level -= 1) {
      const ask = level === wanted || level === about.levels - 1;
      eachTile(about, level, view, pen.canvas, (x, y, left, top, by) => {
        const fresh = this.tile(level, x, y, ask);
        const tile = fresh?.complete && fresh.naturalWidth ? fresh : this.old.get(this.key(level, x, y));
        if (tile?.complete && tile.naturalWidth) pen.drawImage(tile, left, top, tile.naturalWidth * by, tile.naturalHeight * by);
      });
    }
  }

  key(level, x, y) {
    return `${level}/${x}/${y}/${this.lift}`;
  }

  tile(level, x, y, ask) {
    const key = this.key(level, x, y);
    const known = this.held.get(key);
    if (known || !ask) return known;
    const tile = new Image();
    tile.onload = () => {
      this.ready ??= performance.now();
      this.changed();
    };
    // One that is refused belongs to a picture that is no more: ask which there is.
    tile.onerror = () => this.gone();
    tile.src = `/pixels/tile?name=${encodeURIComponent(this.name)}&version=${this.about.version}&level=${level}&x=${x}&y=${y}&lift=${this.lift}&look=${document.documentElement.dataset.look}`;
    this.held.set(key, tile);
    if (this.held.size > HELD) this.held.delete(this.held.keys().next().value);
    return tile;
  }

  gone() {
    clearTimeout(this.asking);
    this.asking = setTimeout(() => this.open().then(this.changed, () => {}), 400);
  }
}

// The matte: land as a hatch, the edge as a line. Tiles come as bare bytes, 0 land to 255 sky.
export class Matte {
  constructor(about, colour, changed) {
    this.about = about;
    this.colour = colour;
    this.changed = changed;
    this.version = "none";
    this.held = new Map();
    this.waiting = 0;
  }

  // Old tiles are shown until the new ones are there.
  become(version) {
    this.version = version;
  }

  // Whether all that was last drawn is of the present version.
  get settled() {
    return this.drawn && this.waiting === 0;
  }

  draw(pen, view, { land, line }) {
    const level = levelFor(this.about, view.scale);
    this.drawn = true;
    const here = [];
    eachTile(this.about, level, view, pen.canvas, (x, y, left, top, by) => {
      const tile = this.tile(level, x, y);
      if (tile.version !== this.version) this.drawn = false;
      if (tile.land) here.push([tile, left, top, tile.land.width * by, tile.land.height * by]);
    });
    pen.imageSmoothingEnabled = false;
    if (land) this.hatch(pen, here);
    if (line) for (const [tile, ...at] of here) pen.drawImage(tile.line, ...at);
  }

  // Lines of one slope in screen pixels, however near the picture is.
  hatch(pen, here) {
    const over = (this.over ??= document.createElement("canvas"));
    [over.width, over.height] = [pen.canvas.width, pen.canvas.height];
    const ink = over.getContext("2d");
    ink.imageSmoothingEnabled = false;
    ink.setTransform(pen.getTransform());
    for (const [tile, ...at] of here) ink.drawImage(tile.land, ...at);
    ink.resetTransform();
    ink.globalCompositeOperation = "source-in";
    ink.fillStyle = this.pattern(ink);
    ink.fillRect(0, 0, over.width, over.height);
    pen.save();
    pen.resetTransform();
    pen.drawImage(over, 0, 0);
    pen.restore();
  }

  pattern(ink) {
    const cell = document.createElement("canvas");
    cell.width = cell.height = 12;
    const line = cell.getContext("2d");
    line.lineWidth = 1.5;
    for (const [shift, colour] of [[1.5, "#000"], [0, this.colour]]) {
      line.strokeStyle = colour;
      line.beginPath();
      for (const at of [-12, 0, 12]) {
        line.moveTo(at + shift - 1, 13);
        line.lineTo(at + shift + 13, -1);
      }
      line.stroke();
    }
    return ink.createPattern(cell, "repeat");
  }

  // Share of sky at a pixel, if its tile is there.
  at(x, y) {
    const tile = this.held.get(`0/${Math.floor(x / this.about.tile_px)}/${Math.floor(y / this.about.tile_px)}`);
    if (!tile?.bytes || tile.version !== this.version) return undefined;
    return tile.bytes[(y % this.about.tile_px) * tile.across + (x % this.about.tile_px)] / 255;
  }

  tile(level, x, y) {
    const key = `${level}/${x}/${y}`;
    let tile = this.held.get(key);
    if (!tile) {
      tile = {};
      this.held.set(key, tile);
      if (this.held.size > HELD) this.held.delete(this.held.keys().next().value);
    }
    if (tile.version !== this.version && tile.asked !== this.version) this.fetch(tile, level, x, y);
    return tile;
  }

  async fetch(tile, level, x, y) {
    const version = this.version;
    tile.asked = version;
    this.waiting += 1;
    try {
      const answer = await fetch(`/hints/matte?level=${level}&x=${x}&y=${y}&version=${version}`);
      if (!answer.ok || tile.asked !== version) return;
      const part = (all, at) => Math.min(this.about.tile_px, Math.ceil(all / 2 ** level) - at * this.about.tile_px);
      tile.bytes = new Uint8Array(await answer.arrayBuffer());
      tile.across = part(this.about.width_px, x) + 1;
      this.paint(tile, part(this.about.width_px, x), part(this.about.height_px, y));
      tile.version = version;
    } finally {
      this.waiting -= 1;
      this.changed();
    }
  }

  paint(tile, width, height) {
    const fresh = () => Object.assign(document.createElement("canvas"), { width, height });
    const [land, line] = [fresh(), fresh()];
    const pens = [land, line].map((c) => c.getContext("2d"));
    const [mask, edge] = pens.map((p) => p.createImageData(width, height));
    const { bytes, across } = tile;
    const sky = (x, y) => bytes[y * across + x] >= 128;
    const core = [];
    for (let y = 0; y < height; y += 1) {
      for (let x = 0; x < width; x += 1) {
        mask.data[4 * (y * width + x) + 3] = 255 - bytes[y * across + x];
        const here = sky(x, y);
        if (here !== sky(x + 1, y) || here !== sky(x, y + 1)) core.push([x, y]);
      }
    }
    const dot = (x, y, [r, g, b], alpha) => {
      if (x >= 0 && y >= 0 && x < width && y < height) edge.data.set([r, g, b, alpha], 4 * (y * width + x));
    };
    for (const [x, y] of core) for (const [u, v] of [[-1, 0], [1, 0], [0, -1], [0, 1]]) dot(x + u, y + v, [0, 0, 0], 160);
    const [r, g, b] = [1, 3, 5].map((i) => parseInt(this.colour.slice(i, i + 2), 16));
    for (const [x, y] of core) dot(x, y, [r, g, b], 255);
    pens[0].putImageData(mask, 0, 0);
    pens[1].putImageData(edge, 0, 0);
    Object.assign(tile, { land, line });
  }
}
