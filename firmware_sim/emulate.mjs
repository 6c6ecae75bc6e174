// Runs the firmware's image in the emulated chip: pins from a file of events (- for standard input), UART bytes to
// standard output. SECONDS may be Infinity.
// usage: node emulate.mjs RP2040JS_FOLDER IMAGE SYMBOLS EVENTS SECONDS [--pace] [--flash FILE]
// An event is 16 bytes, little-endian: u64 time in ns, u32 what (0 to 29 pin, 100 loop's raw value or 65,536 for no answer,
// 101 analog input << 16 | value, 102 brown-out: the chip starts again, 103 nothing: time has come so far, 104 a byte typed at the
// console, 105 the main loop hangs: it goes on in `stuck` of the image, interrupts as before), u32 value.
// At the end one JSON line on standard error: figures of the run.
import { readFileSync, writeFileSync, existsSync, openSync, readSync, writeSync } from "node:fs";
import { pathToFileURL } from "node:url";

const [folder, image, symbols, events, seconds, ...options] = process.argv.slice(2);
const { RP2040 } = await import(pathToFileURL(`${folder}/dist/esm/index.js`).href);
const { SimulationClock } = await import(pathToFileURL(`${folder}/dist/esm/clock/simulation-clock.js`).href);
const pace = options.includes("--pace");
const flashFile = options.includes("--flash") ? options[options.indexOf("--flash") + 1] : null;
const NS_PER_CYCLE = 8;
const VECTORS = 0x10000100;
const BOOT_ROM_LESS_AREA = 0x1fb000;
const SAVED = 0x5000;

const at = Object.fromEntries(readFileSync(symbols, "utf8").split("\n").filter(Boolean).map((line) => {
  const [address, , name] = line.split(" ");
  return [name, parseInt(address, 16)];
}));
const source = events === "-" ? 0 : openSync(events);
const buffer = Buffer.alloc(65536);
const list = new DataView(buffer.buffer, buffer.byteOffset, buffer.byteLength);
let count = 0;
let n = 0;
let taken = 0;
let over = false;
// The time of the next event; waits for more of them where there are none, Infinity after the last.
function next() {
  if (n === count && !over) {
    let held = 0;
    do {
      const got = readSync(source, buffer, held, buffer.length - held, null);
      over = got === 0;
      held += got;
    } while (held % 16 && !over);
    taken += n;
    count = Math.floor(held / 16);
    n = 0;
  }
  return n < count ? Number(list.getBigUint64(n * 16, true)) : Infinity;
}
let due = 0;
const clock = new SimulationClock();
const mcu = new RP2040(clock);
mcu.logger = { debug() {}, warn() {}, error() {}, info() {} };
mcu.flash.fill(0xff);
mcu.flash.set(readFileSync(image), 0);
if (flashFile && existsSync(flashFile)) mcu.flash.set(readFileSync(flashFile), BOOT_ROM_LESS_AREA);

let out = [];
let loopRaw = 32768;
let latchDue = null;
let late = 0;
let busy = 0;
let slept = 0;
let latches = 0;
let hangs = false;
let watchdog = false;
let watchdogs = 0;
const flush = () => {
  if (!out.length) return;
  const data = Buffer.from(out);
  out = [];
  for (let sent = 0; sent < data.length;) {
    try { sent += writeSync(1, data, sent); } catch (e) { if (e.code !== "EAGAIN") throw e; }
  }
};

function start() {
  // A restart keeps the flash, which the emulator's own clears.
  const kept = mcu.flash.slice();
  mcu.reset();
  mcu.flash.set(kept);
  // The emulated watchdog counts down; what its reset does is done here, once the instruction is over.
  const dog = mcu.peripherals[0x40058];
  const off = () => { dog.enable = dog.alarm.enable = dog.timer.enable = false; };
  off();
  dog.onWatchdogTrigger = () => { watchdog = true; off(); };
  hangs = false;
  mcu.uart[0].onByte = (b) => out.push(b);
  mcu.spi[0].onTransmit = () => mcu.spi[0].completeTransmit(loopRaw > 0xffff ? 0 : loopRaw);
  mcu.core.VTOR = VECTORS;
  mcu.core.SP = mcu.flashView.getUint32(0x100, true);
  mcu.core.PC = mcu.flashView.getUint32(0x104, true) & ~1;
  // The pads' input enable is on in the chip at its start.
  for (let pin = 0; pin < 30; pin++) mcu.writeUint32(0x4001c004 + 4 * pin, 0x56);
  for (let pin = 0; pin < 30; pin++) mcu.gpio[pin].setInputValue(level[pin]);
}
const level = new Array(30).fill(false);
level[22] = true;
mcu.adc.channelValues[4] = 876;
mcu.adc.channelValues[0] = 4095;
mcu.adc.channelValues[1] = 4095;

// No boot ROM and no flash controller in the emulator: these two functions of the board are done here.
function flashCall(pc) {
  const r = mcu.core.registers;
  const offset = r[0] >>> 0;
  if (pc === at.board_flash_erase) mcu.flash.fill(0xff, offset, offset + 4096);
  else for (let i = 0; i < 256; i++) mcu.flash[offset + i] &= mcu.readUint8((r[1] >>> 0) + i);
  mcu.core.PC = mcu.core.LR & ~1;
}

function apply(now) {
  for (; due <= now; due = next()) {
    const what = list.getUint32(n * 16 + 8, true);
    const value = list.getUint32(n * 16 + 12, true);
    n++;
    if (what < 30) { level[what] = Boolean(value); mcu.gpio[what].setInputValue(level[what]); }
    else if (what === 100) loopRaw = value;
    else if (what === 101) mcu.adc.channelValues[value >>> 16] = value & 0xffff;
    else if (what === 104) mcu.uart[0].feedByte(value);
    else if (what === 105) hangs = true;
    else if (what === 102) { start(); due = next(); return; }
  }
}

start();
due = next();
const end = Number(seconds) * 1e9;
const wallStart = process.hrtime.bigint();
let nextPace = 20e6;
while (clock.nanos < end) {
  if (due <= clock.nanos) apply(clock.nanos);
  const core = mcu.core;
  if (watchdog) {
    watchdog = false;
    watchdogs++;
    start();
    continue;
  }
  // Not in an interrupt: what the main loop was doing it never comes back to.
  if (hangs && core.IPSR === 0) {
    hangs = false;
    core.waiting = false;
    core.PC = at.stuck;
  }
  if (core.waiting) {
    const alarm = clock.nanosToNextAlarm || 1000;
    const step = Math.max(1, Math.min(alarm, due - clock.nanos, end - clock.nanos));
    slept += step;
    clock.tick(step);
  } else {
    const pc = core.PC;
    if (pc === at.board_flash_erase || pc === at.board_flash_program) { flashCall(pc); continue; }
    const cycles = core.executeInstruction();
    // The first instruction of the sampling interrupt has just run.
    if ((core.PC & ~1) === at.irq_timer0 + 2) {
      latches++;
      const armed = mcu.readUint32(0x40054010);
      const behind = clock.nanos - armed * 1000;
      if (behind > late && behind < 1e8) late = behind;
    }
    busy += cycles * NS_PER_CYCLE;
    clock.tick(cycles * NS_PER_CYCLE);
  }
  if (out.length >= 256) flush();
  if (pace && clock.nanos >= nextPace) {
    nextPace += 20e6;
    flush();
    const ahead = clock.nanos - Number(process.hrtime.bigint() - wallStart);
    if (ahead > 1e6) await new Promise((done) => setTimeout(done, ahead / 1e6));
  }
}
flush();
if (flashFile) writeFileSync(flashFile, mcu.flash.subarray(BOOT_ROM_LESS_AREA, BOOT_ROM_LESS_AREA + SAVED));
const wall = Number(process.hrtime.bigint() - wallStart) / 1e9;
process.stderr.write(`${JSON.stringify({ seconds: Number(seconds), wall_s: wall, latches, latch_late_us: late / 1000, load: busy / (busy + slept), events: taken + n, watchdogs })}\n`);
