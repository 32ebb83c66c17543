// Owns drawing scan points without a graphics card: every point is put in its pixel here, and the picture of them, with
// their depths, is laid into the scene. A software renderer takes a quarter of a millisecond for a thousand points
// handed to it one by one; this takes a hundredth.
import {
  BufferAttribute, BufferGeometry, Color, DataTexture, Matrix4, Mesh, NearestFilter, RGBAFormat, ShaderMaterial,
  UnsignedByteType,
} from "three";

const EMPTY = 0xffffffff, FAR = 0xfffffe;

const VERTEX = "void main() { gl_Position = vec4(position.xy, 0.0, 1.0); }";
const FRAGMENT = `
uniform sampler2D points;
uniform vec3 colour;
void main() {
  vec4 found = floor(texelFetch(points, ivec2(gl_FragCoord.xy), 0) * 255.0 + 0.5);
  float depth = found.g + 256.0 * (found.b + 256.0 * found.a);
  if (depth > ${FAR}.0) discard;
  gl_FragDepth = depth / ${FAR}.0;
  gl_FragColor = vec4(colour * (found.r / 255.0), 1.0);
  #include <colorspace_fragment>
}`;

export class Splat {
  constructor(scene) {
    this.matrix = new Matrix4();
    this.scaled = new Matrix4();
    this.texture = null;
    this.material = new ShaderMaterial({
      vertexShader: VERTEX, fragmentShader: FRAGMENT,
      uniforms: { points: { value: null }, colour: { value: new Color() } },
    });
    // One triangle that holds the whole picture.
    const geometry = new BufferGeometry();
    geometry.setAttribute("position", new BufferAttribute(new Float32Array([-1, -1, 0, 3, -1, 0, -1, 3, 0]), 3));
    this.object = new Mesh(geometry, this.material);
    this.object.frustumCulled = false;
    this.object.visible = false;
    scene.add(this.object);
  }

  resize(width, height) {
    if (this.texture?.image.width === width && this.texture.image.height === height) return;
    this.texture?.dispose();
    // A pixel is its shade in the lowest byte and its depth in the three above, so that the least number is the nearest.
    this.cells = new Uint32Array(width * height);
    this.texture = new DataTexture(new Uint8Array(this.cells.buffer), width, height, RGBAFormat, UnsignedByteType);
    this.texture.minFilter = this.texture.magFilter = NearestFilter;
    this.material.uniforms.points.value = this.texture;
  }

  // clouds: drawn points whose positions are 16-bit numbers; width, height: of the picture in its own pixels; wide, high:
  // of the rectangle the camera's view is laid on, which may be a pixel larger.
  draw(clouds, camera, { width, height, wide, high }, colour) {
    this.resize(width, height);
    this.cells.fill(EMPTY);
    for (const cloud of clouds) {
      cloud.updateWorldMatrix(true, false);
      this.scaled.multiplyMatrices(camera.projectionMatrix, camera.matrixWorldInverse).multiply(cloud.matrixWorld);
      put(this.cells, { width, height, wide, high }, cloud.geometry.getAttribute("position").array, this.scaled.elements);
    }
    this.material.uniforms.colour.value.copy(colour);
    this.texture.needsUpdate = true;
  }
}

export function shadeOf(height) {
  // Higher points lighter, in one hue: heights must not look like margins. height: 0 to 65535.
  return 150 + Math.round((105 * height) / 65535);
}

function put(cells, { width, height, wide, high }, xyz, m) {
  const [a, b, c, d, e, f, g, h, i, j, k, l, o, p, q, r] = m;
  const halfWide = wide / 2, halfTall = high / 2;
  for (let n = 0; n < xyz.length; n += 3) {
    const x = xyz[n], y = xyz[n + 1], z = xyz[n + 2];
    const w = d * x + h * y + l * z + r;
    if (w <= 0) continue;
    const one = 1 / w;
    const left = ((a * x + e * y + i * z + o) * one + 1) * halfWide;
    const up = ((b * x + f * y + j * z + p) * one + 1) * halfTall;
    const depth = ((c * x + g * y + k * z + q) * one + 1) / 2;
    if (!(left >= 0 && left < width && up >= 0 && up < height && depth >= 0 && depth <= 1)) continue;
    const at = (up | 0) * width + (left | 0);
    const cell = (((depth * FAR) | 0) * 256 + shadeOf(z)) >>> 0;
    if (cell < cells[at]) cells[at] = cell;
  }
}
