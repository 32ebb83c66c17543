// Owns the zones: surfaces where the margin is nothing, one shown at a time.
import { BufferAttribute, BufferGeometry, DoubleSide, Mesh, MeshLambertMaterial } from "three";
import { shorts } from "./parts.js";

const $ = (id) => document.getElementById(id);

export class Zones {
  constructor(scene, data) {
    this.data = data;
    this.scene = scene;
    this.made = new Map();
    this.stage = -1;
  }

  fill(changed) {
    const zones = this.data.zones ?? [];
    $("zonebox").hidden = !zones.length;
    if (!zones.length) return;
    $("zone").addEventListener("change", () => changed($("zone").value || null));
    const option = (value, text) => Object.assign(document.createElement("option"), { value, textContent: text });
    $("zone").replaceChildren(option("", "none"), ...zones.map((zone, k) => option(String(k), zone.title)));
  }

  setStage() {}

  object(k) {
    if (!this.made.has(k)) {
      const zone = this.data.zones[k];
      const geometry = new BufferGeometry();
      geometry.setAttribute("position", new BufferAttribute(shorts(zone.mesh.xyz), 3));
      geometry.setIndex(new BufferAttribute(shorts(zone.faces), 1));
      const material = new MeshLambertMaterial({
        color: this.data.colours.breach, transparent: true, opacity: 0.3, side: DoubleSide, depthWrite: false, flatShading: true,
      });
      const made = new Mesh(geometry, material);
      made.position.fromArray(zone.mesh.low);
      made.scale.fromArray(zone.mesh.step);
      made.renderOrder = 5;
      this.scene.add(made);
      this.made.set(k, made);
    }
    return this.made.get(k);
  }

  show(name) {
    for (const made of this.made.values()) made.visible = false;
    if (name === null || name === undefined) return;
    this.object(Number(name)).visible = true;
  }
}
