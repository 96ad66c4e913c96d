// The picture's own edges, to a fraction of a pixel, from a crop of it read in the browser.
// Places are in picture pixels, (0, 0) at the picture's outer corner: the first pixel's centre is (0.5, 0.5).

const TILE = 192; // pixels of the crop that is kept
const STEP = 0.25; // of the profile across the edge, in pixels
const BLUR = 1.0; // standard deviation of the slope's weights, in pixels
const LEAST_SLOPE = 0.012; // of full light per pixel: less is grain
// sRGB to light (IEC 61966-2-1, from memory): an edge between dark and bright is in the middle of the light
const LIGHT = Float32Array.from({ length: 256 }, (_, v) => {
  const share = v / 255;
  return share <= 0.04045 ? share / 12.92 : ((share + 0.055) / 1.055) ** 2.4;
});

class PictureEdges {
  constructor(image) {
    this.image = image;
    this.canvas = document.createElement("canvas");
    this.canvas.width = this.canvas.height = TILE;
    this.pen = this.canvas.getContext("2d", { willReadFrequently: true });
    this.corner = null;
  }

  /** Have the crop round a place at hand; false if the picture may not be read or is not there yet. */
  fetch(u, v, reach) {
    const image = this.image;
    if (!image.complete || !image.naturalWidth) return false;
    const near = this.corner && u - reach >= this.corner[0] + 1 && v - reach >= this.corner[1] + 1
      && u + reach <= this.corner[0] + TILE - 1 && v + reach <= this.corner[1] + TILE - 1;
    if (near) return true;
    this.corner = [Math.round(u - TILE / 2), Math.round(v - TILE / 2)];
    this.pen.clearRect(0, 0, TILE, TILE);
    this.pen.drawImage(image, this.corner[0], this.corner[1], TILE, TILE, 0, 0, TILE, TILE);
    const data = this.pen.getImageData(0, 0, TILE, TILE).data;
    this.light = new Float32Array(TILE * TILE);
    for (let i = 0; i < TILE * TILE; i++) {
      this.light[i] = 0.2126 * LIGHT[data[4 * i]] + 0.7152 * LIGHT[data[4 * i + 1]] + 0.0722 * LIGHT[data[4 * i + 2]];
    }
    return true;
  }

  /** Light at a place; beyond the picture's border as at the border, so that the border is no edge. */
  at(u, v) {
    u = between(u, 0.5, this.image.naturalWidth - 0.5);
    v = between(v, 0.5, this.image.naturalHeight - 0.5);
    const c = between(u - 0.5 - this.corner[0], 0, TILE - 1.001), r = between(v - 0.5 - this.corner[1], 0, TILE - 1.001);
    const i = Math.floor(c), j = Math.floor(r), a = c - i, b = r - j, k = j * TILE + i, l = this.light;
    return (l[k] * (1 - a) + l[k + 1] * a) * (1 - b) + (l[k + TILE] * (1 - a) + l[k + TILE + 1] * a) * b;
  }

  /** How far along `normal` the strongest edge within `reach` pixels lies, or null where there is none. */
  offset([u, v], normal, reach) {
    const side = Math.min(reach, TILE / 2 - 8), extra = 3 * BLUR;
    if (!this.fetch(u, v, side + extra + 2)) return null;
    if (u < 0 || v < 0 || u > this.image.naturalWidth || v > this.image.naturalHeight) return null;
    const half = Math.round((side + extra) / STEP), profile = new Float32Array(2 * half + 1);
    for (let k = -half; k <= half; k++) {
      let sum = 0;
      for (const along of [-1, -0.5, 0, 0.5, 1]) { // five lines side by side quieten the grain
        sum += this.at(u + normal[0] * k * STEP - normal[1] * along, v + normal[1] * k * STEP + normal[0] * along);
      }
      profile[k + half] = sum / 5;
    }
    const span = Math.round(extra / STEP), slopes = [];
    for (let k = span; k < profile.length - span; k++) {
      let slope = 0;
      for (let m = 1; m <= span; m++) {
        const s = m * STEP;
        slope += s * Math.exp((-s * s) / (2 * BLUR * BLUR)) * (profile[k + m] - profile[k - m]);
      }
      slopes.push(Math.abs(slope) * STEP / (Math.sqrt(2 * Math.PI) * BLUR ** 3));
    }
    let best = -1;
    for (let k = 1; k < slopes.length - 1; k++) {
      const peak = slopes[k] >= slopes[k - 1] && slopes[k] >= slopes[k + 1];
      if (peak && slopes[k] > LEAST_SLOPE && (best < 0 || slopes[k] > slopes[best])) best = k;
    }
    if (best < 0) return null;
    const [before, top, after] = [slopes[best - 1], slopes[best], slopes[best + 1]];
    const bend = before - 2 * top + after;
    const shift = bend < 0 ? (0.5 * (before - after)) / bend : 0; // the parabola through three slopes
    return (best + shift + span - half) * STEP;
  }
}
