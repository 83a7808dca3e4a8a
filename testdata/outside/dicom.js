// Reads DICOM JSON objects, one a line, writes each as a DICOM data set (explicit VR little endian) with npm dcmjs,
// reads the bytes back and prints the values found: {"00102000":["..."],...}. See README.md.
'use strict';
const fs = require('fs');
const path = require('path');
const { createRequire } = require('module');

const modules = process.env.GAUSSLINE_NODE_MODULES;
if (!modules) { console.error('GAUSSLINE_NODE_MODULES is not set'); process.exit(2); }
const dcmjs = createRequire(path.join(modules, 'any.js'))('dcmjs');
dcmjs.log.setLevel('silent');

for (const line of fs.readFileSync(0, 'utf8').split('\n').filter((l) => l.trim() !== '')) {
  const dict = new dcmjs.data.DicomDict({ '00020010': { vr: 'UI', Value: ['1.2.840.10008.1.2.1'] } });
  dict.dict = JSON.parse(line);
  const read = dcmjs.data.DicomMessage.readFile(dict.write({ fragmentMultiframe: false }));
  const found = {};
  for (const [tag, e] of Object.entries(read.dict)) found[tag] = e.Value;
  process.stdout.write(JSON.stringify(found) + '\n');
}
