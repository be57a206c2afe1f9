// The curves: tiles of lowest and highest values are asked for by zoom, kept, and drawn; a coarser one stands in meanwhile.
const MOST_TILES = 240;
// While somebody zooms through many levels only the last one is asked for.
const SETTLE_MS = 60;
const RETRY_MS = 1500;
const AT_ONCE = 4;

export class Curves {
  // arrived: called when there is something new to draw.
  constructor(arrived) {
    this.arrived = arrived;
    this.kind = null;
    this.tiles = new Map();
    this.wanted = [];
    // Asked for, and not there yet.
    this.coming = new Set();
    this.timer = null;
    // Tiles of an earlier kind or time that arrive late are not kept.
    this.round = 0;
  }

  show(kind) {
    if (JSON.stringify(kind) === JSON.stringify(this.kind)) return;
    this.kind = kind;
    this.tiles.clear();
    this.wanted = [];
    this.coming = new Set();
    this.round += 1;
  }

  // The values that each lane shows from foot to head: the same, so that two arms can be compared.
  get range() {
    const curves = this.kind?.curves ?? [];
    const low = Math.min(...curves.map((curve) => curve.low));
    const high = Math.max(...curves.map((curve) => curve.high));
    return high - low < 1 ? [low - 1, high + 1] : [low, high];
  }

  get sides() {
    return this.kind?.curves.map(({ side }) => side) ?? [];
  }

  // The level at which a bin is between half a pixel and a pixel wide.
  levelOf(s_per_px) {
    const level = Math.floor(Math.log2(Math.max(s_per_px / this.kind.row_s, 1)));
    return Math.min(level, this.kind.levels - 1);
  }

  numbers(level, from, to) {
    const tile_s = this.kind.row_s * 2 ** level * this.kind.tile_bins;
    const first = Math.max(0, Math.floor((from - this.kind.from_s) / tile_s));
    const all = Math.ceil(this.kind.rows / 2 ** level / this.kind.tile_bins);
    const last = Math.max(first, Math.min(Math.floor((to - this.kind.from_s) / tile_s), all - 1));
    return Array.from({ length: last - first + 1 }, (_, k) => first + k);
  }

  // Ask for what views of so many px need and is not there: what is seen first, the whole as a stand-in, then beside it.
  need(...views) {
    if (!this.kind) return;
    const missing = views.flatMap(([{ from, to }, width]) => {
      const level = this.levelOf((to - from) / width);
      const aside = (to - from) / 2;
      const keys = (l, first, last) => this.numbers(l, first, last).map((n) => `${l}/${n}`);
      return [...keys(level, from, to), ...keys(this.kind.levels - 1, from, to), ...keys(level, from - aside, to + aside)];
    });
    this.wanted = [...new Set(missing)].filter((key) => !this.tiles.has(key) && !this.coming.has(key));
    clearTimeout(this.timer);
    if (this.wanted.length) this.timer = setTimeout(() => this.ask(), this.tiles.size ? SETTLE_MS : 0);
  }

  ask() {
    while (this.coming.size < AT_ONCE && this.wanted.length) this.fetch(this.wanted.shift());
  }

  async fetch(key) {
    const { round, kind, coming } = this;
    coming.add(key);
    let found = null;
    try {
      const reply = await fetch(`curves/${kind.name}/${key}`);
      if (reply.ok) found = await reply.json();
      else if (reply.status === 429) setTimeout(() => this.arrived(), RETRY_MS);
      else found = {};
    } catch {
      setTimeout(() => this.arrived(), RETRY_MS);
    }
    coming.delete(key);
    if (found && round === this.round) {
      this.tiles.set(key, found);
      if (this.tiles.size > MOST_TILES) this.tiles.delete(this.tiles.keys().next().value);
      this.arrived();
    }
    this.ask();
  }

  // One arm's curve into a canvas; view: from, to in seconds; color: of the line.
  draw(canvas, side, view, color, margin = 0) {
    const paper = fitted(canvas);
    const { width, height } = canvas;
    paper.clearRect(0, 0, width, height);
    if (!this.sides.includes(side)) return;
    const [low, high] = this.range;
    const y = (tenths) => height - margin - ((tenths / 10 - low) / (high - low)) * (height - 2 * margin);
    const px_s = width / (view.to - view.from);
    const level = this.levelOf(1 / px_s);
    paper.strokeStyle = color;
    paper.fillStyle = color;
    paper.lineWidth = Math.max(1, devicePixelRatio * 1.25);
    paper.beginPath();
    for (const number of this.numbers(level, view.from, view.to)) this.stroke(paper, level, number, side, view, px_s, y);
    paper.stroke();
  }

  stroke(paper, level, number, side, view, px_s, y) {
    const { row_s, from_s, tile_bins: bins } = this.kind;
    let at = level;
    let place = number;
    while (at < this.kind.levels && !this.tiles.has(`${at}/${place}`)) {
      at += 1;
      place = Math.floor(place / 2);
    }
    const tile = this.tiles.get(`${at}/${place}`)?.[side];
    if (!tile) return;
    const bin_s = row_s * 2 ** at;
    const tile_s = from_s + place * bins * bin_s;
    // Of a stand-in only the part that this tile has, and of either only what is seen, with a bin on each side.
    const own_s = row_s * 2 ** level * bins;
    const from = Math.max(view.from, from_s + number * own_s);
    const to = Math.min(view.to, from_s + (number + 1) * own_s);
    const first = Math.max(0, Math.floor((from - tile_s) / bin_s) - 1);
    const last = Math.min(tile[0].length - 1, Math.ceil((to - tile_s) / bin_s) + 1);
    let pen = false;
    for (let k = first; k <= last; k += 1) {
      const bottom = tile[0][k];
      if (bottom === null) {
        pen = false;
        continue;
      }
      const x = (tile_s + (k + 0.5) * bin_s - view.from) * px_s;
      if (pen) paper.lineTo(x, y(bottom));
      else paper.moveTo(x, y(bottom));
      if (tile[1][k] !== bottom) paper.lineTo(x, y(tile[1][k]));
      pen = true;
    }
  }
}

// The canvas at the screen's own points.
export function fitted(canvas) {
  const width = Math.max(1, Math.round(canvas.clientWidth * devicePixelRatio));
  const height = Math.max(1, Math.round(canvas.clientHeight * devicePixelRatio));
  if (canvas.width !== width) canvas.width = width;
  if (canvas.height !== height) canvas.height = height;
  return canvas.getContext("2d");
}
