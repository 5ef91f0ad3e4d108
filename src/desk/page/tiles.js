// Pictures and maps as tiles of 256 x 256: those in view are fetched, coarser ones stand in until they are there.
import { get } from "/page/api.js";
import { ExposureShader } from "/page/shader.js";

const SIDE = 256;
/** Tiles kept per picture, and per map, whose tiles take five times the memory. */
const KEPT = 400;
const KEPT_OF_MAP = 120;

/**
 * @typedef {object} Shape
 * @property {number} columns
 * @property {number} rows
 * @property {number} levels
 */

/** Draws a picture from tiles that `fetch` gives; the drawing of the viewer, in pixels of the picture. */
class Tiled {
  /** @param {Shape} shape @param {() => void} changed Called when more can be drawn. */
  constructor(shape, changed) {
    this.shape = shape;
    this.changed = changed;
    this.most = KEPT;
    /** @type {Map<string, any>} In the order of last use. */
    this.tiles = new Map();
  }

  /** @param {string} _name @param {number} _level @param {number} _x @param {number} _y @returns {any} */
  fetch(_name, _level, _x, _y) {
    throw new Error("a kind of tile must say where it comes from");
  }

  /** What is drawn of a tile; nothing while it is on its way. @param {any} _tile @returns {CanvasImageSource | undefined} */
  drawn(_tile) {
    return undefined;
  }

  /** Told of a tile that is no longer kept. @param {any} _tile */
  dropped(_tile) {}

  /** @param {number} level @param {number} x @param {number} y @param {boolean} [ask] Fetches it if it is not there. */
  tile(level, x, y, ask = true) {
    const name = `${level}/${x}/${y}`;
    const known = this.tiles.get(name);
    if (known !== undefined) {
      this.tiles.delete(name);
      this.tiles.set(name, known);
      return known;
    }
    if (!ask) return undefined;
    const made = this.fetch(name, level, x, y);
    this.tiles.set(name, made);
    for (const [old, tile] of this.tiles) {
      if (this.tiles.size <= this.most) break;
      this.tiles.delete(old);
      this.dropped(tile);
    }
    return made;
  }

  /** @param {CanvasRenderingContext2D} pen Set to pixels of the picture. */
  draw(pen) {
    const { columns, rows, levels } = this.shape;
    const now = pen.getTransform();
    const back = now.inverse();
    const ends = [[0, 0], [pen.canvas.width, 0], [0, pen.canvas.height], [pen.canvas.width, pen.canvas.height]];
    const corners = ends.map(([x, y]) => back.transformPoint({ x, y }));
    const xs = corners.map((c) => c.x);
    const ys = corners.map((c) => c.y);
    const scale = Math.hypot(now.a, now.b);
    const level = Math.max(0, Math.min(levels - 1, Math.floor(Math.log2(1 / scale) + 0.3)));
    // The coarsest level first, so that nothing is ever empty, then the one that fits.
    for (const l of level === levels - 1 ? [level] : [levels - 1, level]) {
      const wide = SIDE * 2 ** l;
      const range = (/** @type {number[]} */ v, /** @type {number} */ end) => [
        Math.max(0, Math.floor(Math.min(...v) / wide)),
        Math.min(Math.ceil(end / wide), Math.ceil(Math.max(...v) / wide)),
      ];
      const [left, right] = range(xs, columns);
      const [top, bottom] = range(ys, rows);
      for (let y = top; y < bottom; y++) {
        for (let x = left; x < right; x++) {
          const source = this.drawn(this.tile(l, x, y));
          if (!source) continue;
          const width = Math.min(wide, columns - x * wide);
          const height = Math.min(wide, rows - y * wide);
          pen.drawImage(source, x * wide, y * wide, width, height);
        }
      }
    }
  }
}

/** A picture as the program shows it, without loss. */
export class PictureTiles extends Tiled {
  /** @param {string} picture @param {Shape} shape @param {() => void} changed */
  constructor(picture, shape, changed) {
    super(shape, changed);
    this.picture = picture;
  }

  /** @param {string} picture @param {() => void} changed */
  static async open(picture, changed) {
    return new PictureTiles(picture, await get(`/api/picture/${picture}`), changed);
  }

  /** @override @param {string} name */
  fetch(name) {
    const image = new Image();
    image.addEventListener("load", () => this.changed());
    image.addEventListener("error", () => this.tiles.delete(name));
    image.src = `/api/picture/${this.picture}/tile/${name}`;
    return image;
  }

  /** @override @param {HTMLImageElement} image */
  drawn(image) {
    return image.complete && image.naturalWidth ? image : undefined;
  }
}

/** sRGB codes (IEC 61966-2-1) of linear light in 65 536 steps. */
const CODES = Uint8Array.from({ length: 65536 }, (_, i) => {
  const v = i / 65535;
  return Math.round(255 * (v <= 0.0031308 ? 12.92 * v : 1.055 * v ** (1 / 2.4) - 0.055));
});

/** Marks that can be laid over a map: their bits in the flags. */
export const MARKS = /** @type {[string, string, number][]} */ ([
  ["none", "nothing", 0],
  ["clipped", "clipped in all frames", 1],
  ["some", "clipped in some frames", 4],
  ["dark", "below noise in all frames", 2],
  ["moved", "moved", 32],
]);

/** Stripes over marked pixels, so that they show on light and dark ground alike: two colours, codes. */
const STRIPES = [90, 20, 80, 236, 190, 226];

/** One for the page, since browsers allow few; made when the first map is opened. @type {ExposureShader | undefined | null} */
let shader = null;

/** The radiance map at an exposure. */
export class MapTiles extends Tiled {
  /** @param {any} about As `GET /api/map/ID` says. @param {() => void} changed */
  constructor(about, changed) {
    super(about, changed);
    this.about = about;
    this.most = KEPT_OF_MAP;
    if (shader === null) shader = ExposureShader.make(STRIPES);
    this.shader = shader;
    /** Exposure, stops over the reference frame's. */
    this.stops = 0;
    /** Bits of flags that are marked. */
    this.marked = 0;
  }

  /** @param {string} map @param {() => void} changed */
  static async open(map, changed) {
    return new MapTiles(await get(`/api/map/${map}`), changed);
  }

  /** @override @param {string} name */
  fetch(name) {
    const tile = /** @type {any} */ ({ ready: undefined });
    tile.arrives = fetch(`/api/map/${this.about.map}/tile/${name}`)
      .then(async (answer) => {
        if (!answer.ok) throw new Error(String(answer.status));
        const bytes = await answer.arrayBuffer();
        const [width, height] = [Number(answer.headers.get("X-Width")), Number(answer.headers.get("X-Height"))];
        const values = new Float32Array(bytes, 0, 4 * width * height);
        tile.ready = { width, height, values, flags: new Uint16Array(bytes, 16 * width * height) };
        this.changed();
      })
      .catch(() => this.tiles.delete(name));
    return tile;
  }

  /** @override @param {any} tile */
  drawn(tile) {
    const { ready } = tile;
    if (!ready) return undefined;
    if (this.shader && !this.shader.lost) return this.shader.drawn(ready, this.stops, this.marked);
    const key = `${this.stops} ${this.marked}`;
    if (tile.key === key) return tile.canvas;
    const { width, height, values, flags } = ready;
    tile.canvas ??= new OffscreenCanvas(width, height);
    tile.pixels ??= new ImageData(width, height);
    tile.key = key;
    const gain = 65535 * 2 ** this.stops;
    const { data } = tile.pixels;
    for (let i = 0, j = 0; i < flags.length; i++, j += 4) {
      data[j] = CODES[Math.min(65535, Math.max(0, values[j] * gain)) | 0];
      data[j + 1] = CODES[Math.min(65535, Math.max(0, values[j + 1] * gain)) | 0];
      data[j + 2] = CODES[Math.min(65535, Math.max(0, values[j + 2] * gain)) | 0];
      data[j + 3] = 255;
      if (this.marked & flags[i]) {
        const from = ((i % width) + Math.floor(i / width)) & 4 ? 3 : 0;
        data.set(STRIPES.slice(from, from + 3), j);
      }
    }
    tile.canvas.getContext("2d").putImageData(tile.pixels, 0, 0);
    return tile.canvas;
  }

  /** @override @param {any} tile */
  dropped(tile) {
    this.shader?.drop(tile.ready);
  }

  /**
   * The map's own value at a pixel; undefined while its tile is on the way, or outside.
   * @param {{x: number, y: number}} at
   */
  valueAt(at) {
    const [column, row] = [Math.floor(at.x), Math.floor(at.y)];
    if (column < 0 || row < 0 || column >= this.shape.columns || row >= this.shape.rows) return undefined;
    const { ready } = this.tile(0, Math.floor(column / SIDE), Math.floor(row / SIDE));
    if (!ready) return undefined;
    const i = (row % SIDE) * ready.width + (column % SIDE);
    const [red, green, blue, uncertainty] = ready.values.subarray(4 * i, 4 * i + 4);
    const flags = ready.flags[i];
    const words = Object.entries(this.about.flags).filter(([bit]) => flags & Number(bit)).map(([, w]) => String(w));
    return { column, row, red, green, blue, uncertainty, frame: this.about.frames[flags >> 8] ?? "", words };
  }
}
