// Reads HL7 v2 messages (JSON strings, one a line) with the parser of npm simple-hl7 and prints each as
// [["OBX","1",...],...]: the segments with their fields' components. See README.md.
'use strict';
const fs = require('fs');
const path = require('path');
const { createRequire } = require('module');

const modules = process.env.GAUSSLINE_NODE_MODULES;
if (!modules) { console.error('GAUSSLINE_NODE_MODULES is not set'); process.exit(2); }
const hl7 = createRequire(path.join(modules, 'any.js'))('simple-hl7');

for (const line of fs.readFileSync(0, 'utf8').split('\n').filter((l) => l.trim() !== '')) {
  const message = new hl7.Parser({ segmentSeperator: '\r' }).parse(JSON.parse(line));
  const out = message.segments.map((s) => [s.name, ...s.fields.map((f) => f.value.map((rep) => rep.map((c) => c.value.join('&'))))]);
  process.stdout.write(JSON.stringify(out) + '\n');
}
