// Bundles main.js and the parts of three it uses into one classic script.
// Usage: node build.mjs [FILE]; writes bundle.js beside this file, or FILE. Same sources and versions, same bytes.
import { build } from "esbuild";
import { readFileSync } from "node:fs";
import { dirname, join } from "node:path";
import { fileURLToPath } from "node:url";

const here = dirname(fileURLToPath(import.meta.url));
// The licence of three goes wherever its code goes: into the bundle, and so into every page.
const licence = readFileSync(join(here, "node_modules", "three", "LICENSE"), "utf8").trim();

await build({
  absWorkingDir: here,
  entryPoints: ["main.js"],
  outfile: process.argv[2] ?? join(here, "bundle.js"),
  bundle: true,
  minify: true,
  format: "iife",
  target: "es2020",
  charset: "ascii",
  legalComments: "inline",
  banner: { js: `/* The 3D page of clearance. It holds parts of three.js:\n\n${licence}\n*/` },
  define: { "process.env.NODE_ENV": '"production"' },
});
