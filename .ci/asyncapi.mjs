// Reads one AsyncAPI document with the parser installed in a folder: node asyncapi.mjs FOLDER DOCUMENT
import { readFileSync } from "node:fs";
import { createRequire } from "node:module";

const [folder, file] = process.argv.slice(2);
const { Parser } = createRequire(`${folder}/`)("@asyncapi/parser");
const { document, diagnostics } = await new Parser().parse(readFileSync(file, "utf8"));
const wrong = diagnostics.filter((found) => found.severity <= 1); // errors and warnings
for (const found of wrong) console.error(`${file}: ${found.path.join(".")}: ${found.message} (${found.code})`);
if (!document || wrong.length > 0) process.exit(1);
console.log(`${file}: ${document.channels().length} channels, ${document.operations().length} operations, sound`);
