// Owns the zones: surfaces where the margin is nothing, one shown at a time.
import { BufferAttribute, BufferGeometry, DoubleSide, Mesh, MeshLambertMaterial } from "three";
import { shorts, whole } from "./parts.js";

const $ = (id) => document.getElementById(id);

export class Zones {
  constructor(scene, data) {
    this.data = data;
    this.scene = scene;
    this.made = new Map();
  }

  fill(changed) {
    const zones = this.data.zones ?? [];
    $("zonebox").hidden = !zones.length;
    if (!zones.length) return;
    $("zone").addEventListener("change", () => {
      const zone = zones[Number($("zone").value)];
      $("zoned").textContent = $("zone").value && zone
        ? `No margin is left inside; on the surface it is 0 m to ${zone.excess_m} m.${zone.cut ? " Cut off at the edge of the region." : ""}`
        : "";
      changed($("zone").value || null);
    });
    const option = (value, text) => Object.assign(document.createElement("option"), { value, textContent: text });
    $("zone").replaceChildren(option("", "none"), ...zones.map((zone, k) => option(String(k), zone.title)));
  }

  object(k) {
    if (!this.made.has(k)) {
      const zone = this.data.zones[k];
      const geometry = new BufferGeometry();
      geometry.setAttribute("position", new BufferAttribute(shorts(zone.mesh.xyz), 3));
      geometry.setIndex(new BufferAttribute((zone.wide ? whole : shorts)(zone.faces), 1));
      const material = new MeshLambertMaterial({
        color: this.data.colours[zone.exposure === "phase-phase" ? "low margin" : "breach"], transparent: true, opacity: 0.28, side: DoubleSide, depthWrite: false, flatShading: true,
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
