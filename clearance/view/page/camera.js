// Owns where one looks from: a turning view, fixed parallel views that only move and grow, and the worker's eye.
import { OrthographicCamera, PerspectiveCamera, Vector3 } from "three";

const UP = new Vector3(0, 0, 1);
const STEP_RAD = Math.PI / 36;
const NEAREST_M = 0.3, FURTHEST_M = 1500;

export class Look {
  constructor() {
    this.far = new PerspectiveCamera(45, 1, 0.05, 3000);
    this.flat = new OrthographicCamera(-1, 1, 1, -1, -2000, 3000);
    this.far.up.copy(UP);
    this.target = new Vector3();
    this.mode = "turn"; // "turn", "flat" or "eye"
    this.yaw = 0; this.pitch = 0.3; this.distance = 30;
    this.half = 10; // half the height of a parallel view [m]
    this.right = new Vector3(1, 0, 0); this.up = new Vector3(0, 0, 1);
    this.width = 1; this.height = 1;
  }

  get camera() { return this.mode === "flat" ? this.flat : this.far; }
  get metresPerPixel() { return (2 * this.half) / this.height; }

  resize(width, height) {
    this.width = width; this.height = height;
    this.far.aspect = width / height;
    this.place();
  }

  turnAbout(target, distance, yaw, pitch) {
    this.mode = "turn";
    this.target.copy(target);
    Object.assign(this, { distance, yaw, pitch });
    this.place();
  }

  parallel(target, half, right, up) {
    this.mode = "flat";
    this.target.copy(target); this.right.copy(right); this.up.copy(up);
    this.half = half;
    this.place();
  }

  eye(position, toward) {
    this.mode = "eye";
    this.target.copy(position);
    this.yaw = Math.atan2(-toward.y, -toward.x);
    this.pitch = Math.asin(Math.max(-1, Math.min(1, -toward.z / toward.length())));
    this.place();
  }

  place() {
    if (this.mode === "flat") {
      const wide = (this.half * this.width) / this.height;
      Object.assign(this.flat, { left: -wide, right: wide, top: this.half, bottom: -this.half });
      const toward = new Vector3().crossVectors(this.right, this.up);
      this.flat.up.copy(this.up);
      this.flat.position.copy(this.target).addScaledVector(toward, 500);
      this.flat.lookAt(this.target);
      this.flat.updateProjectionMatrix();
      this.flat.updateMatrixWorld();
      return;
    }
    const away = new Vector3(
      Math.cos(this.pitch) * Math.cos(this.yaw), Math.cos(this.pitch) * Math.sin(this.yaw), Math.sin(this.pitch));
    this.far.fov = this.mode === "eye" ? 70 : 45;
    if (this.mode === "eye") {
      this.far.position.copy(this.target);
      this.far.lookAt(this.target.clone().sub(away));
    } else {
      this.far.position.copy(this.target).addScaledVector(away, this.distance);
      this.far.lookAt(this.target);
    }
    this.far.updateProjectionMatrix();
    this.far.updateMatrixWorld();
  }

  rotate(yaw, pitch) {
    if (this.mode === "flat") return;
    this.yaw += yaw;
    this.pitch = Math.max(-1.55, Math.min(1.55, this.pitch + pitch));
    this.place();
  }

  pan(dx, dy) {
    // By pixels on the screen.
    if (this.mode === "eye") { this.rotate(dx * 0.003, dy * 0.003); return; }
    let right = this.right, up = this.up, scale = this.metresPerPixel;
    if (this.mode === "turn") {
      right = new Vector3().setFromMatrixColumn(this.far.matrixWorld, 0);
      up = new Vector3().setFromMatrixColumn(this.far.matrixWorld, 1);
      scale = (2 * this.distance * Math.tan((this.far.fov * Math.PI) / 360)) / this.height;
    }
    this.target.addScaledVector(right, -dx * scale).addScaledVector(up, dy * scale);
    this.place();
  }

  zoom(factor, x = this.width / 2, y = this.height / 2) {
    if (this.mode === "eye") return;
    if (this.mode === "flat") {
      // What is under the pointer stays there.
      const before = this.metresPerPixel;
      this.half = Math.max(0.2, Math.min(1000, this.half * factor));
      const gained = before - this.metresPerPixel;
      this.target.addScaledVector(this.right, (x - this.width / 2) * gained)
        .addScaledVector(this.up, (this.height / 2 - y) * gained);
    } else {
      this.distance = Math.max(NEAREST_M, Math.min(FURTHEST_M, this.distance * factor));
    }
    this.place();
  }
}

export function control(canvas, look, { changed, tapped }) {
  // Mouse, pen, touch and keys on the canvas. A press that does not move is a tap.
  const held = new Map();
  let moved = 0, apart = 0;
  canvas.addEventListener("pointerdown", (event) => {
    canvas.setPointerCapture(event.pointerId);
    held.set(event.pointerId, { x: event.offsetX, y: event.offsetY });
    if (held.size === 1) moved = 0;
    apart = spread(held);
  });
  canvas.addEventListener("pointermove", (event) => {
    const old = held.get(event.pointerId);
    if (!old) return;
    const dx = event.offsetX - old.x, dy = event.offsetY - old.y;
    moved += Math.hypot(dx, dy);
    held.set(event.pointerId, { x: event.offsetX, y: event.offsetY });
    if (held.size === 2) {
      const now = spread(held);
      if (apart > 0 && now > 0) look.zoom(apart / now, ...middle(held));
      apart = now;
      look.pan(dx / 2, dy / 2);
    } else if (look.mode === "flat" || event.buttons & 6 || event.shiftKey) {
      look.pan(dx, dy);
    } else {
      look.rotate(-dx * 0.006, dy * 0.006 * (look.mode === "eye" ? -1 : 1));
    }
    changed();
  });
  const leave = (event) => {
    const was = held.size;
    held.delete(event.pointerId);
    apart = spread(held);
    if (event.type === "pointerup" && was === 1 && moved < 6) tapped(event.offsetX, event.offsetY);
  };
  canvas.addEventListener("pointerup", leave);
  canvas.addEventListener("pointercancel", leave);
  canvas.addEventListener("contextmenu", (event) => event.preventDefault());
  canvas.addEventListener("wheel", (event) => {
    event.preventDefault();
    look.zoom(Math.exp(Math.max(-200, Math.min(200, event.deltaY)) * 0.0015), event.offsetX, event.offsetY);
    changed();
  }, { passive: false });
}

export function nudge(look, way) {
  // One step of a key or a button.
  const turn = { left: [-STEP_RAD, 0], right: [STEP_RAD, 0], up: [0, STEP_RAD], down: [0, -STEP_RAD] }[way];
  const shift = { left: [40, 0], right: [-40, 0], up: [0, 40], down: [0, -40] }[way];
  if (way === "in") look.zoom(0.8);
  else if (way === "out") look.zoom(1.25);
  else if (look.mode === "flat") look.pan(...shift);
  else look.rotate(...turn);
}

function spread(held) {
  if (held.size !== 2) return 0;
  const [a, b] = [...held.values()];
  return Math.hypot(a.x - b.x, a.y - b.y);
}

function middle(held) {
  const [a, b] = [...held.values()];
  return [(a.x + b.x) / 2, (a.y + b.y) / 2];
}
