// Runs the firmware of the second board, instruction by instruction, on an emulated RP2040.
//
//     node chip.js [--seconds S] [--facts] [--live --line FD] ELF
//
// --live runs at real time, its line on an open descriptor that never blocks.
// Events on standard input and sent bytes on standard output are those of ../chip.c, so that the
// same tests run both; the board has no measurement of its supply. rig.bin lies beside the ELF.
import { execFileSync } from 'node:child_process';
import { readFileSync, readSync, writeSync } from 'node:fs';
import { ConsoleLogger, LogLevel, RP2040 } from 'rp2040js';

const PINS = { a: 2, b: 3, index: 4, foot: 5, contact1: 6, contact2: 7 };
const NANOS_PER_CYCLE = 1e9 / 48e6;
const NANOS_PER_BYTE = 20_000; // ten bits at 500000 a second
const LINE_ROOM = 32;
const AFTER_LAST_US = 500_000;
const STACK_BEGINS = 0x20030000; // nothing else reaches so far up
const STACK_ENDS = 0x20040000;
const PAINT = 0xa5;
const WATCHDOG = Symbol('the watchdog has reset the chip');

const given = process.argv.slice(2);
const elf = given.at(-1);
const option = (name) => (given.includes(name) ? Number(given[given.indexOf(name) + 1]) : 0);
const seconds = option('--seconds');
const live = given.includes('--live');
const lineOut = live ? option('--line') : 1;
const binary = readFileSync(elf.replace(/\.elf$/, '.bin'));
const symbols = Object.fromEntries(
  execFileSync('arm-none-eabi-nm', [elf], { encoding: 'ascii' })
    .split('\n')
    .map((line) => line.split(' '))
    .map(([address, , name]) => [name, parseInt(address, 16)]),
);

const levels = new Array(8).fill(false);
levels[PINS.foot] = true;
let beganUs = 0; // when this run of the chip began
let cycles = 0;
let out = [];
let rp, clock, hangs, lineFreeAt;

const nowUs = () => beganUs + clock.nanos / 1000;

function flush() {
  const bytes = Buffer.from(out);
  out = [];
  try {
    for (let done = 0; done < bytes.length; ) done += writeSync(lineOut, bytes, done);
  } catch (what) {
    if (!live || what.code !== 'EAGAIN') throw what; // nobody reads: lost
  }
}

// Power on, or a reset: everything anew, but for the levels that come from outside.
function begin(cause) {
  if (clock) beganUs = nowUs();
  rp = new RP2040();
  clock = rp.clock;
  rp.logger = new ConsoleLogger(LogLevel.Error);
  rp.flash.set(binary);
  rp.sram.fill(PAINT, STACK_BEGINS - 0x20000000, STACK_ENDS - 0x20000000);
  hangs = false;
  lineFreeAt = 0;
  const had = (cause & 5 ? 1 << 8 : 0) // power on, or a supply so low that it is the same
     | (cause & 2 ? 1 << 16 : 0);
  rp.peripherals[0x40064] = { readUint32: () => had, writeUint32Atomic: () => {} };
  rp.peripherals[0x40058].reason = cause & 8 ? 1 : 0;
  rp.peripherals[0x40058].onWatchdogTrigger = () => {
    throw WATCHDOG; // the emulator would go on ringing
  };
  const line = rp.uart[0];
  const queued = () => Math.ceil(Math.max(0, lineFreeAt - clock.nanos) / NANOS_PER_BYTE);
  Object.defineProperty(line, 'flags', {
    get: () => (line.rxFIFO.empty ? 1 << 4 : 0) | (queued() >= LINE_ROOM ? 1 << 5 : 0),
  });
  line.onByte = (byte) => {
    if (queued() > LINE_ROOM) throw new Error('a byte was put where there is no room');
    lineFreeAt = Math.max(lineFreeAt, clock.nanos) + NANOS_PER_BYTE;
    if (out.push(byte) > 60_000) flush();
  };
  levels.forEach((level, pin) => rp.gpio[pin].setInputValue(level));
  rp.core.VTOR = 0x10000000;
  rp.core.PC = 0x10000000;
}

function runUntil(us) {
  try {
    goOnUntil(us);
  } catch (what) {
    if (what !== WATCHDOG) throw what;
    begin(8);
    runUntil(us);
  }
}

function goOnUntil(us) {
  const until = (us - beganUs) * 1000;
  while (clock.nanos < until) {
    if (hangs) {
      clock.tick(1000);
    } else if (rp.core.waiting) {
      const toAlarm = clock.nextAlarm ? clock.nanosToNextAlarm : Infinity;
      clock.tick(Math.max(1, Math.min(toAlarm, until - clock.nanos)));
    } else {
      const took = rp.core.executeInstruction();
      cycles += took;
      clock.tick(took * NANOS_PER_CYCLE);
    }
  }
}

function poke(name, width, value) {
  if (!(name in symbols)) throw new Error(`the firmware has no symbol ${name}`);
  for (let k = 0n; k < BigInt(width); k++) {
    rp.writeUint8(symbols[name] + Number(k), Number((BigInt(value) >> (8n * k)) & 0xffn));
  }
}

function happen(words) {
  const [what, ...rest] = words;
  if (what === 'pin') {
    const pin = PINS[rest[0]];
    levels[pin] = rest[1] === '1';
    if (rp.gpio[pin].rawInputValue !== levels[pin]) rp.gpio[pin].setInputValue(levels[pin]);
  } else if (what === 'host') {
    for (const [k, byte] of Buffer.from(rest[0] ?? '', 'hex').entries()) {
      const came = clock.createAlarm(() => rp.uart[0].rxFIFO.full || rp.uart[0].feedByte(byte));
      came.schedule((k + 1) * NANOS_PER_BYTE);
    }
  } else if (what === 'poke') {
    poke(...rest);
  } else if (what === 'reset') {
    begin(Number(rest[0]));
  } else if (what === 'hang') {
    hangs = true;
  } else if (what !== 'supply') {
    throw new Error(`no such event: ${what}`);
  }
}

function split(line) {
  const [time, ...words] = line.trim().split(' ');
  return [Number(time), words];
}

function atOnce() {
  let last = 0;
  for (const line of readFileSync(0, 'ascii').split('\n')) {
    if (!line.trim()) continue;
    const [time, words] = split(line);
    last = time;
    if (seconds && last > seconds * 1e6) break;
    runUntil(last);
    happen(words);
  }
  runUntil(seconds ? seconds * 1e6 : last + AFTER_LAST_US);
  flush();
}

function atRealTime() {
  const events = [];
  const heard = Buffer.alloc(4096);
  const began = performance.now();
  let rest = '';
  let ranUs = 0;
  process.stdin.setEncoding('ascii').on('data', (text) => {
    const lines = (rest + text).split('\n');
    rest = lines.pop();
    events.push(...lines.filter((line) => line.trim()).map(split));
  });
  const goOn = () => {
    // No more than 20 ms at once, so that events and the host are heard in between.
    ranUs = Math.min((performance.now() - began) * 1000, ranUs + 20_000);
    while (events.length && events[0][0] <= ranUs) {
      const [time, words] = events.shift();
      runUntil(time);
      happen(words);
    }
    runUntil(ranUs);
    flush();
    try {
      happen(['host', heard.subarray(0, readSync(lineOut, heard)).toString('hex')]);
    } catch (what) {
      if (what.code !== 'EAGAIN') throw what;
    }
    if (!seconds || ranUs < seconds * 1e6) setTimeout(goOn, 1);
    else process.stdin.destroy();
  };
  goOn();
}

begin(1);
if (live) atRealTime();
else atOnce();
if (given.includes('--facts')) {
  const stack = rp.sram.subarray(STACK_BEGINS - 0x20000000, STACK_ENDS - 0x20000000);
  const free = stack.findIndex((byte) => byte !== PAINT);
  console.error(`stack_room_bytes ${stack.length}`);
  console.error(`stack_used_bytes ${stack.length - (free < 0 ? stack.length : free)}`);
  console.error(`cycles ${cycles}`);
}
