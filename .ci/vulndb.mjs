// Makes a Go vulnerability database, as https://go.dev/doc/security/vuln/database lays it out, of a folder of OSV files:
// node vulndb.mjs OSV_FOLDER OUT_FOLDER
import { mkdirSync, readdirSync, readFileSync, writeFileSync } from "node:fs";

const [from, to] = process.argv.slice(2);
mkdirSync(`${to}/ID`, { recursive: true });
mkdirSync(`${to}/index`, { recursive: true });
const modules = new Map();
let newest = "";
for (const file of readdirSync(from)) {
  const text = readFileSync(`${from}/${file}`, "utf8");
  const entry = JSON.parse(text);
  if (entry.withdrawn) continue;
  writeFileSync(`${to}/ID/${entry.id}.json`, text);
  if (entry.modified > newest) newest = entry.modified;
  for (const path of new Set(entry.affected.map((a) => a.package.name))) {
    if (!modules.has(path)) modules.set(path, []);
    modules.get(path).push({ id: entry.id, modified: entry.modified });
  }
}
writeFileSync(`${to}/index/modules.json`, JSON.stringify([...modules].map(([path, vulns]) => ({ path, vulns }))));
writeFileSync(`${to}/index/db.json`, JSON.stringify({ modified: newest }));
