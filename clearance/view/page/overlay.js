// Owns what is written over the picture: labels that do not overlap, ends of gaps, scale bar, north, measured points.
import { Vector3 } from "three";

const AROUND = [[1, -1], [-1, -1], [1, 1], [-1, 1], [0, -1.4], [0, 1.4], [1.6, 0], [-1.6, 0]];
const REACH_PX = [16, 34, 58, 90, 130, 180, 240, 310];
const NEAR_PX = 3; // names stay near what they name: so many of the distances above

export class Overlay {
  constructor(canvas) {
    this.canvas = canvas;
    this.context = canvas.getContext("2d");
    this.taken = [];
    this.written = []; // what was written last, for tests and for the text of the picture
  }

  resize(width, height, ratio) {
    this.width = width; this.height = height; this.ratio = ratio;
    this.canvas.width = Math.round(width * ratio);
    this.canvas.height = Math.round(height * ratio);
  }

  draw(look, colours, { gaps, labels, measured, north, unit, blocked, aim }) {
    const c = this.context;
    c.setTransform(this.ratio, 0, 0, this.ratio, 0, 0);
    c.clearRect(0, 0, this.width, this.height);
    this.soft = [];
    this.taken = blocked.map((box) => ({ ...box }));
    this.written = [];
    if (look.mode === "flat") this.scale(look, colours, unit);
    if (north) this.north(look, colours, north);
    for (const gap of gaps) this.keepClear(look, gap.line);
    for (const gap of [...gaps].reverse()) for (const end of gap.ends) this.end(look, end, gap, colours);
    for (const gap of gaps) {
      this.label(look, gap.middle, gap.text, colours, { bold: true, edge: colours.words[gap.word], always: true });
    }
    for (const mark of measured.points) this.cross(look, mark, colours);
    if (measured.text) this.label(look, measured.middle, measured.text, colours, { bold: true, edge: colours.ink, always: true });
    for (const label of labels) this.label(look, label.at, label.text, colours, {});
    if (aim) {
      const x = this.width / 2, y = this.height / 2;
      c.strokeStyle = colours.ink; c.lineWidth = 1.5;
      c.beginPath(); c.moveTo(x - 12, y); c.lineTo(x + 12, y); c.moveTo(x, y - 12); c.lineTo(x, y + 12); c.stroke();
    }
  }

  onScreen(look, at) {
    const v = new Vector3().copy(at).project(look.camera);
    if (v.z < -1 || v.z > 1) return null;
    return [((v.x + 1) / 2) * this.width, ((1 - v.y) / 2) * this.height];
  }

  keepClear(look, line) {
    // No label lies on a line.
    for (let k = 0; k + 1 < line.length; k += 2) {
      const a = this.onScreen(look, line[k]), b = this.onScreen(look, line[k + 1]);
      if (!a || !b) continue;
      const pieces = Math.min(200, Math.ceil(Math.hypot(b[0] - a[0], b[1] - a[1]) / 14));
      for (let i = 0; i <= pieces; i++) {
        const x = a[0] + ((b[0] - a[0]) * i) / Math.max(1, pieces), y = a[1] + ((b[1] - a[1]) * i) / Math.max(1, pieces);
        this.soft.push({ left: x - 6, top: y - 6, right: x + 6, bottom: y + 6 });
      }
    }
  }

  label(look, at, text, colours, { bold = false, edge = null, always = false }) {
    const c = this.context;
    const anchor = this.onScreen(look, at);
    if (!anchor) return;
    const [x, y] = anchor;
    if (!always && (x < 0 || y < 0 || x > this.width || y > this.height)) return;
    c.font = `${bold ? "600 14px" : "13px"} system-ui, "DejaVu Sans", sans-serif`;
    const wide = c.measureText(text).width + 12, tall = 22;
    const hits = (box, boxes) => boxes.some((b) => box.left < b.right && b.left < box.right && box.top < b.bottom && b.top < box.bottom);
    // The figures of a gap are always written: if need be on a line, never on other words.
    const tries = (always ? REACH_PX : REACH_PX.slice(0, NEAR_PX)).flatMap((reach) => AROUND.map((way) => [reach, way]));
    for (const strict of always ? [true, false] : [true]) {
      for (const [reach, [i, j]] of tries) {
        let left = x + i * reach - (i < 0 ? wide : i === 0 ? wide / 2 : 0);
        let top = y + j * reach - (j < 0 ? tall : j === 0 ? tall / 2 : 0);
        if (always) {
          left = Math.max(4, Math.min(this.width - wide - 4, left));
          top = Math.max(4, Math.min(this.height - tall - 4, top));
        }
        const box = { left, top, right: left + wide, bottom: top + tall };
        if (box.left < 2 || box.top < 2 || box.right > this.width - 2 || box.bottom > this.height - 2) continue;
        if (hits(box, this.taken) || (strict && hits(box, this.soft))) continue;
        this.taken.push(box);
        c.strokeStyle = edge ?? colours.ink; c.lineWidth = 1;
        c.beginPath(); c.moveTo(x, y);
        c.lineTo(Math.max(box.left, Math.min(box.right, x)), Math.max(box.top, Math.min(box.bottom, y))); c.stroke();
        c.fillStyle = colours.paper; c.globalAlpha = 0.9; c.fillRect(box.left, box.top, wide, tall); c.globalAlpha = 1;
        if (edge) { c.lineWidth = 2; c.strokeRect(box.left, box.top, wide, tall); }
        c.fillStyle = colours.ink; c.textBaseline = "middle"; c.textAlign = "left";
        c.fillText(text, box.left + 6, box.top + tall / 2 + 0.5);
        this.written.push({ text, box });
        return;
      }
    }
  }

  end(look, at, gap, colours) {
    // The end of a gap, by the shape of its word: ring, triangle, cross, square.
    const anchor = this.onScreen(look, at);
    if (!anchor) return;
    const [x, y] = anchor, c = this.context, r = 7;
    c.beginPath();
    if (gap.word === "breach") { c.moveTo(x - r, y - r); c.lineTo(x + r, y + r); c.moveTo(x + r, y - r); c.lineTo(x - r, y + r); }
    else if (gap.word === "low margin") { c.moveTo(x, y - r); c.lineTo(x + r, y + r * 0.8); c.lineTo(x - r, y + r * 0.8); c.closePath(); }
    else if (gap.word === "undecided") c.rect(x - r * 0.8, y - r * 0.8, r * 1.6, r * 1.6);
    else c.arc(x, y, r * 0.8, 0, 2 * Math.PI);
    c.strokeStyle = colours.ink; c.lineWidth = 5; c.stroke();
    c.strokeStyle = colours.words[gap.word]; c.lineWidth = 2.5; c.stroke();
  }

  cross(look, at, colours) {
    const anchor = this.onScreen(look, at);
    if (!anchor) return;
    const [x, y] = anchor, c = this.context;
    c.strokeStyle = colours.ink; c.lineWidth = 2;
    c.beginPath(); c.arc(x, y, 6, 0, 2 * Math.PI); c.moveTo(x - 10, y); c.lineTo(x + 10, y); c.moveTo(x, y - 10); c.lineTo(x, y + 10); c.stroke();
  }

  scale(look, colours, unit) {
    const c = this.context;
    const one = unit.metres / look.metresPerPixel; // pixels of one metre or foot
    const most = (0.22 * this.width) / one;
    const power = 10 ** Math.floor(Math.log10(most));
    const length = Math.max(...[1, 2, 5].map((s) => s * power).filter((s) => s <= most));
    const x = 16, y = this.height - 22, wide = length * one;
    this.taken.push({ left: 8, top: y - 26, right: x + wide + 40, bottom: this.height });
    c.fillStyle = colours.paper; c.globalAlpha = 0.85; c.fillRect(8, y - 24, wide + 44, 40); c.globalAlpha = 1;
    c.fillStyle = colours.ink; c.fillRect(x, y, wide / 2, 6);
    c.strokeStyle = colours.ink; c.lineWidth = 1; c.strokeRect(x, y, wide, 6);
    c.font = '13px system-ui, "DejaVu Sans", sans-serif'; c.textBaseline = "bottom"; c.textAlign = "center";
    c.fillText("0", x, y - 3);
    c.fillText(`${length} ${unit.name}`, x + wide, y - 3);
    this.written.push({ text: `scale ${length} ${unit.name}` });
  }

  north(look, colours, north) {
    const c = this.context, x = this.width - 34, y = 66;
    this.taken.push({ left: x - 22, top: y - 50, right: x + 22, bottom: y + 36 });
    const way = [look.right.y, look.up.y];
    const n = Math.hypot(...way);
    if (n < 0.5) return;
    const dx = (way[0] / n) * 28, dy = (-way[1] / n) * 28;
    c.strokeStyle = c.fillStyle = colours.ink; c.lineWidth = 2.5;
    c.beginPath(); c.moveTo(x - dx, y - dy); c.lineTo(x + dx, y + dy); c.stroke();
    c.beginPath(); c.moveTo(x + dx * 1.3, y + dy * 1.3); c.lineTo(x + dx * 0.6 - dy * 0.3, y + dy * 0.6 + dx * 0.3);
    c.lineTo(x + dx * 0.6 + dy * 0.3, y + dy * 0.6 - dx * 0.3); c.closePath(); c.fill();
    c.font = '700 15px system-ui, "DejaVu Sans", sans-serif'; c.textAlign = "center"; c.textBaseline = "middle";
    c.fillText(north, x - dx * 1.5, y - dy * 1.5);
    this.written.push({ text: `north ${north}` });
  }
}
