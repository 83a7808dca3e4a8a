// Records how an independent general parser (npm simple-hl7, MIT) takes the sample messages apart. Run beside the
// samples after: npm i simple-hl7@3.3.0. Its own delimiters cannot be set by MSH-2, so they are handed to it.
import fs from 'fs'; import {createRequire} from 'module';
const require = createRequire(import.meta.url);
const hl7 = require('simple-hl7');
const tool = 'simple-hl7 ' + JSON.parse(fs.readFileSync('node_modules/simple-hl7/package.json')).version + ' (MIT)';
const unwrap = c => Array.isArray(c.value[0]) ? c.value[0] : c.value;
const reps = f => (f.value.length && f.value[0] && f.value[0].value !== undefined && !Array.isArray(f.value[0]) ? f.value.map(r => r.value[0]) : f.value)
  .map(comps => comps.map(unwrap));
const out = {tool, messages: {}};
for (const name of fs.readdirSync('.').filter(n => n.endsWith('.hl7')).sort()) {
  const text = fs.readFileSync(name, 'utf8').replace(/\n/g, '\r');
  const p = new hl7.Parser({segmentSeperator: '\r'});
  Object.assign(p.delimiters, {fieldSeperator: text[3], componentSeperator: text[4], repititionCharacter: text[5], escapeCharacter: text[6], subcomponentSeperator: text[7]});
  const m = p.parse(text);
  out.messages[name] = [{name: 'MSH', fields: m.header.fields.map(reps)}, ...m.segments.map(s => ({name: s.name, fields: s.fields.map(reps)}))];
}
fs.writeFileSync('parse.json', JSON.stringify(out).replaceAll('{"name"', '\n{"name"') + '\n');
