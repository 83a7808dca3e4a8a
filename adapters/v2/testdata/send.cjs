// Sends the message files given to the listener with an independent MLLP client (npm simple-hl7 3.3.0, MIT) and prints
// what its parser reads in each answer: node send.cjs NODE_MODULES PORT FILE...
const fs = require('fs'), path = require('path');
const hl7 = require(path.join(process.argv[2], 'simple-hl7'));
const client = hl7.Server.createTcpClient({host: '127.0.0.1', port: +process.argv[3], keepalive: true, callback: () => {}});
const files = process.argv.slice(4);
const next = () => {
  if (!files.length) { client.close(); return; }
  const text = fs.readFileSync(files.shift(), 'utf8').trim().replace(/\n/g, '\r');
  client.send(new hl7.Parser({segmentSeperator: '\r'}).parse(text), (err, ack) => {
    if (err) { console.log('error', err.message); process.exit(1); }
    const msa = ack.getSegment('MSA');
    console.log(ack.header.getComponent(7, 1) + ' ' + msa.getField(1) + ' ' + msa.getField(2));
    setImmediate(next); // the client is free again after this call
  });
};
next();
