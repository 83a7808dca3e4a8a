// Records what independent tools answer for the vectors and machine-made variations of them. Run in a copy of this
// folder after: npm i bwip-js@4.11.4 gs1-barcode-parser-mod@1.2.1 digital-link.js@1.4.3; apt-get install zint
import fs from 'fs'; import {createRequire} from 'module'; import {execFileSync} from 'child_process';
const require=createRequire(import.meta.url);
const bwip=require('bwip-js'); 
const ver=n=>JSON.parse(fs.readFileSync(`node_modules/${n}/package.json`)).version;
// vectors
const text=fs.readFileSync('vectors.csv','utf8'); 
const rows=text.trim().split('\n').slice(1).map(l=>{const o=[];let c='',q=false;for(let i=0;i<l.length;i++){const ch=l[i];if(q){if(ch=='"'){if(l[i+1]=='"'){c+='"';i++}else q=false}else c+=ch}else if(ch=='"')q=true;else if(ch==','){o.push(c);c=''}else c+=ch}o.push(c);return o});
let seed=20260101; const rnd=n=>{seed=(Math.imul(seed,1103515245)+12345)&0x7fffffff;return Math.floor(seed/65536)%n};
const mutate=(s,alpha)=>{const i=1+rnd(s.length-1);switch(rnd(4)){case 0:return s.slice(0,i)+alpha[rnd(alpha.length)]+s.slice(i+1);case 1:return s.slice(0,i)+s.slice(i+1);case 2:return s.slice(0,i)+alpha[rnd(alpha.length)]+s.slice(i);default:return i+1<s.length?s.slice(0,i)+s[i+1]+s[i]+s.slice(i+2):s}};
const hrf=rows.filter(r=>r[2].startsWith('(')).map(r=>r[2]);
const hib=rows.filter(r=>r[2].startsWith('+')&&!r[2].startsWith('+/')).map(r=>r[2]);
const dl=rows.filter(r=>r[2].startsWith('http')).map(r=>r[2]);
const more=(a,n,alpha)=>{const out=[...a];const v=a.slice();while(out.length<a.length+n)out.push(mutate(v[rnd(v.length)],alpha));return [...new Set(out)]};
const gs1set=more(hrf,260,'0123456789AZaz-/ "#');
const extra=['(01)51022222233336(37)5','(01)51022222233336(02)51022222233336','(01)51022222233336(235)A(21)B','(01)51022222233336(22)A','(22)A','(01)51022222233336(250)A','(01)51022222233336(250)A(21)B','(01)51022222233336(8012)1.0.3','(01)51022222233336(7003)2601311200','(01)51022222233336(7006)260100','(01)51022222233336(7006)260131','(01)51022222233336(240)REF-1(241)CUST','(01)51022222233336(715)12345','(01)51022222233336(718)1','(01)51022222233336(17)000000','(01)51022222233336(17)240229','(01)51022222233336(17)250229','(01)51022222233336(13)260101(15)260101','(01)51022222233336(20)12','(01)51022222233336(20)1','(01)51022222233336(99)anything'];
gs1set.push(...extra);
const hibset=more(hib,260,'0123456789AZ-. $/+%');
const dlset=[...more(dl,60,'0123456789AZ/?=&%'),'https://id.gs1.org/01/09521234543213/21/1/10/2','https://id.gs1.org/01/09521234543213/22/2A/21/1','https://id.gs1.org/01/09521234543213/235/TPX','https://id.gs1.org/some/stem/01/09521234543213','https://id.gs1.org/01/09521234543213/17/261231','https://id.gs1.org/01/09521234543213/10/A%2FB','https://id.gs1.org/01/09521234543213?17=261331','https://id.gs1.org/01/09521234543213?utm=x&10=A','http://example.org/gtin/09521234543213','HTTPS://ID.GS1.ORG/01/09521234543213','Https://id.gs1.org/01/09521234543213','https://id.gs1.org/01/9521234543213','https://id.gs1.org/01/09521234543213/','https://id.gs1.org/01/09521234543213#x','https://id.gs1.org/414/9521321000001/01/09521234543213'];
const tryb=(bcid,t,o={})=>{try{bwip.raw({bcid,text:t,...o});return ''}catch(e){return String(e.message||e).slice(0,160)}};
const out={tools:{}, gs1:[],hibcc:[],link:[],split:[]};
out.note='Answers of independent general-purpose tools, recorded once. Strings are the vectors and machine-made variations of them (seeded); none names a real product. Empty error: accepted. refYear 2026.';
out.tools={'bwip-js':ver('bwip-js')+' (BWIPP 2026-05-28, MIT)','gs1-barcode-parser-mod':ver('gs1-barcode-parser-mod')+' (MIT)','digital-link.js':ver('digital-link.js')+' (Apache-2.0)','zint':'2.11.1 (Debian bookworm, GPL-3/BSD)'};
for(const s of gs1set)out.gs1.push({raw:s,bwip:tryb('gs1datamatrix',s)});
for(const s of hibset){
  const bw=tryb('hibcdatamatrix',s.slice(1),{validatecheck:true});
  let z='';
  try{const svg=execFileSync('zint',['-b','HIBC_128','--filetype=SVG','--direct','-d',s.slice(1,-1)],{stdio:['ignore','pipe','pipe']}).toString();
   const m=svg.match(/\*(\+[^<]*)\*/); z=m?m[1].replace(/&amp;/g,'&').trimEnd():'' ; }catch(e){z='error: '+String(e.stderr).trim().slice(0,120)}
  out.hibcc.push({raw:s,bwip:bw,zint:z});
}
const dlmod=require('digital-link.js');
out._dl=Object.keys(dlmod);
for(const s of dlset){let d='';try{const D=dlmod.DigitalLink||dlmod.default; d=D(s).isValid()?'':'invalid'}catch(e){d='error: '+String(e.message||e).slice(0,100)} out.link.push({raw:s,bwip:tryb('gs1dldatamatrix',s),digitallink:d})}
let parse=require('gs1-barcode-parser-mod'); parse=parse.parseBarcode||parse.default||parse;
out._p=typeof parse;
for(const r of rows.filter(r=>r[1]=='valid'&&r[0][0]=='G'&&!r[2].startsWith('http')&&r[0]!='G23')){
 const raw=r[2].replaceAll('<GS>','\x1d'); try{const p=parse(raw);out.split.push({raw,items:p.parsedCodeItems.map(i=>({ai:i.ai,data:i.data instanceof Date? `${i.data.getFullYear()}-${String(i.data.getMonth()+1).padStart(2,'0')}-${String(i.data.getDate()).padStart(2,'0')}`:String(i.data)}))})}catch(e){out.split.push({raw,error:String(e.message||e)})}}
fs.writeFileSync('tools.json',JSON.stringify(out,null,1));
console.log(out._dl,out._p,out.gs1.length,out.hibcc.length,out.link.length,out.split.length);
console.log(out.gs1.filter(x=>x.bwip).length,out.hibcc.filter(x=>x.bwip).length,out.link.filter(x=>x.bwip).length);
console.log(out.split.slice(0,3).map(x=>JSON.stringify(x)).join('\n'));
console.log(out.hibcc.slice(0,4),out.link.slice(0,8));
