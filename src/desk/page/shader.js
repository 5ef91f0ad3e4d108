// Tiles of the radiance map at an exposure, drawn by the graphics processor; where the browser has no WebGL 2 the page does it itself.

const VERTEX = `#version 300 es
void main() {
  // One triangle that covers everything.
  gl_Position = vec4(gl_VertexID == 1 ? 3.0 : -1.0, gl_VertexID == 2 ? 3.0 : -1.0, 0.0, 1.0);
}`;

const FRAGMENT = `#version 300 es
precision highp float;
precision highp int;
precision highp sampler2D;
precision highp usampler2D;
uniform sampler2D values;
uniform usampler2D flags;
uniform float gain;
uniform uint marked;
uniform ivec3 stripes[2];
out vec4 colour;
void main() {
  ivec2 at = ivec2(gl_FragCoord.xy);
  at.y = textureSize(values, 0).y - 1 - at.y;
  vec3 v = clamp(texelFetch(values, at, 0).rgb * gain, 0.0, 1.0);
  // IEC 61966-2-1.
  vec3 code = mix(1.055 * pow(v, vec3(1.0 / 2.4)) - 0.055, 12.92 * v, lessThanEqual(v, vec3(0.0031308)));
  if ((texelFetch(flags, at, 0).r & marked) != 0u) code = vec3(stripes[((at.x + at.y) & 4) == 0 ? 0 : 1]) / 255.0;
  colour = vec4(code, 1.0);
}`;

/** @typedef {{width: number, height: number, values: Float32Array, flags: Uint16Array}} Values Of a tile: R, G, B, uncertainty; flags. */

export class ExposureShader {
  /** @param {WebGL2RenderingContext} gl @param {WebGLProgram} program @param {number[]} stripes */
  constructor(gl, program, stripes) {
    this.gl = gl;
    this.lost = false;
    /** @type {OffscreenCanvas} */ (gl.canvas).addEventListener("webglcontextlost", () => (this.lost = true));
    gl.useProgram(program);
    const place = (/** @type {string} */ name) => gl.getUniformLocation(program, name);
    gl.uniform1i(place("values"), 0);
    gl.uniform1i(place("flags"), 1);
    gl.uniform3iv(place("stripes"), stripes);
    this.gain = place("gain");
    this.marked = place("marked");
  }

  /** The drawer of a page, or nothing without WebGL 2. @param {number[]} stripes Two colours of marks, codes. */
  static make(stripes) {
    const gl = new OffscreenCanvas(1, 1).getContext("webgl2");
    const program = gl?.createProgram();
    if (!gl || !program) return undefined;
    for (const [kind, source] of /** @type {[number, string][]} */ ([[gl.VERTEX_SHADER, VERTEX], [gl.FRAGMENT_SHADER, FRAGMENT]])) {
      const shader = gl.createShader(kind);
      if (!shader) return undefined;
      gl.shaderSource(shader, source);
      gl.compileShader(shader);
      gl.attachShader(program, shader);
    }
    gl.linkProgram(program);
    return gl.getProgramParameter(program, gl.LINK_STATUS) ? new ExposureShader(gl, program, stripes) : undefined;
  }

  /** The values of a tile where the graphics processor reads them. @param {Values} tile */
  textures({ width, height, values, flags }) {
    const { gl } = this;
    const texture = (/** @type {number} */ unit, /** @type {() => void} */ fill) => {
      const made = gl.createTexture();
      gl.activeTexture(gl.TEXTURE0 + unit);
      gl.bindTexture(gl.TEXTURE_2D, made);
      gl.texParameteri(gl.TEXTURE_2D, gl.TEXTURE_MIN_FILTER, gl.NEAREST);
      gl.texParameteri(gl.TEXTURE_2D, gl.TEXTURE_MAG_FILTER, gl.NEAREST);
      fill();
      return made;
    };
    gl.pixelStorei(gl.UNPACK_ALIGNMENT, 2);
    return [
      texture(0, () => gl.texImage2D(gl.TEXTURE_2D, 0, gl.RGBA32F, width, height, 0, gl.RGBA, gl.FLOAT, values)),
      texture(1, () => gl.texImage2D(gl.TEXTURE_2D, 0, gl.R16UI, width, height, 0, gl.RED_INTEGER, gl.UNSIGNED_SHORT, flags)),
    ];
  }

  /**
   * A tile at an exposure, to be copied before the next is drawn.
   * @param {Values & {textures?: (WebGLTexture | null)[]}} tile @param {number} stops @param {number} marked Bits of flags.
   */
  drawn(tile, stops, marked) {
    const { gl } = this;
    const canvas = /** @type {OffscreenCanvas} */ (gl.canvas);
    if (canvas.width !== tile.width || canvas.height !== tile.height) [canvas.width, canvas.height] = [tile.width, tile.height];
    gl.viewport(0, 0, tile.width, tile.height);
    tile.textures ??= this.textures(tile);
    tile.textures.forEach((texture, unit) => {
      gl.activeTexture(gl.TEXTURE0 + unit);
      gl.bindTexture(gl.TEXTURE_2D, texture);
    });
    gl.uniform1f(this.gain, 2 ** stops);
    gl.uniform1ui(this.marked, marked);
    gl.drawArrays(gl.TRIANGLES, 0, 3);
    return canvas;
  }

  /** Lets the textures of a tile go. @param {{textures?: (WebGLTexture | null)[]} | undefined} tile */
  drop(tile) {
    for (const texture of tile?.textures ?? []) this.gl.deleteTexture(texture);
    if (tile) tile.textures = undefined;
  }
}
