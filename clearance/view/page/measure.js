// Owns measuring between two points of the drawing. It is a help for the eye, and says so: gaps come from the check.
import { Vector3 } from "three";

const $ = (id) => document.getElementById(id);

export class Measure {
  constructor(data) {
    this.data = data;
    this.on = false;
    this.points = [];
    this.missed = false;
  }

  toggle() {
    this.on = !this.on;
    this.points = [];
    this.missed = false;
  }

  take(hit) {
    this.missed = hit === null;
    if (hit === null) return;
    if (this.points.length === 2) this.points = [];
    this.points.push(hit);
  }

  text(units) {
    if (this.points.length < 2) return "";
    const [a, b] = this.points;
    const one = units === "m" ? 1 : this.data.foot_m;
    const length = a.at.distanceTo(b.at) / one;
    // Rounded down, as every measured length is.
    return `${(Math.floor(length * 100) / 100).toFixed(2)} ${units} between drawn points`;
  }

  shown(units) {
    const middle = new Vector3();
    if (this.points.length === 2) middle.copy(this.points[0].at).add(this.points[1].at).multiplyScalar(0.5);
    return { points: this.on ? this.points.map((p) => p.at) : [], text: this.on ? this.text(units) : "", middle };
  }

  place(at) {
    // Coordinates in the scene's frame, and in the map's where it is tied to one.
    const xyz = [0, 1, 2].map((i) => at.getComponent(i) + this.data.offset[i]);
    const frame = `x ${xyz[0].toFixed(2)} m, y ${xyz[1].toFixed(2)} m, z ${xyz[2].toFixed(2)} m`;
    if (!this.data.map) return frame;
    const [e, n, h] = xyz.map((v, i) => (v + this.data.map[i]).toFixed(2));
    return `${frame} (E ${e} m, N ${n} m, height ${h} m)`;
  }

  say(units) {
    const out = $("measured");
    out.replaceChildren();
    const line = (text) => { const p = document.createElement("p"); p.textContent = text; out.append(p); };
    if (!this.on) { line("Off."); return; }
    if (this.missed) line("Nothing is drawn there.");
    this.points.forEach((p, k) => line(`${k + 1}: ${p.name}, ${this.place(p.at)}`));
    if (this.points.length < 2) line(`Tap point ${this.points.length + 1}, or put it under the cross and press the button or Enter.`);
    else line(`${this.text(units)}: not a gap of the check. It leaves out survey error and takes the drawing as it is.`);
  }
}
