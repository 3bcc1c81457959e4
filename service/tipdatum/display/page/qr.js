// A QR code of a short text, such as the page's address for a phone. Byte mode, error correction level M, versions
// 1 to 10. Source: ISO/IEC 18004, as checked against an independent encoder in the tests.

/** By version: error correction bytes a block, and data bytes of each block. */
const BLOCKS = [
  null, [10, [16]], [16, [28]], [26, [44]], [18, [32, 32]], [24, [43, 43]], [16, [27, 27, 27, 27]], [18, [31, 31, 31, 31]],
  [22, [38, 38, 39, 39]], [22, [36, 36, 36, 37, 37]], [26, [43, 43, 43, 43, 44]],
];
const ALIGNMENT = [[], [], [6, 18], [6, 22], [6, 26], [6, 30], [6, 34], [6, 22, 38], [6, 24, 42], [6, 26, 46], [6, 28, 50]];
const MASKS = [
  (r, c) => (r + c) % 2, (r) => r % 2, (r, c) => c % 3, (r, c) => (r + c) % 3, (r, c) => (Math.floor(r / 2) + Math.floor(c / 3)) % 2,
  (r, c) => ((r * c) % 2) + ((r * c) % 3), (r, c) => (((r * c) % 2) + ((r * c) % 3)) % 2, (r, c) => (((r + c) % 2) + ((r * c) % 3)) % 2,
];

// --- bytes -------------------------------------------------------------------------------------------

const EXP = [], LOG = [];
for (let i = 0, x = 1; i < 255; i += 1) {
  EXP[i] = x;
  LOG[x] = i;
  x = x << 1 ^ (x & 128 ? 0x11d : 0);
}
const times = (a, b) => (a && b ? EXP[(LOG[a] + LOG[b]) % 255] : 0);

/** The remainder of Reed and Solomon: `count` bytes of error correction. */
function correction(data, count) {
  let generator = [1];
  for (let i = 0; i < count; i += 1) {
    generator = [...generator, 0].map((g, j) => g ^ times(generator[j - 1] ?? 0, EXP[i]));
  }
  const rest = [...data, ...Array(count).fill(0)];
  for (let i = 0; i < data.length; i += 1) {
    const factor = rest[i];
    if (factor) generator.forEach((g, j) => { rest[i + j] ^= times(g, factor); });
  }
  return rest.slice(data.length);
}

function codewords(bytes) {
  const version = BLOCKS.findIndex((blocks, v) => v && blocks[1].reduce((a, b) => a + b) >= bytes.length + (v < 10 ? 2 : 3));
  if (version < 0) throw new RangeError("too long for a code of this kind");
  const [count, sizes] = BLOCKS[version];
  const room = sizes.reduce((a, b) => a + b);
  const bits = [];
  const put = (value, length) => { for (let i = length - 1; i >= 0; i -= 1) bits.push(value >> i & 1); };
  put(4, 4);
  put(bytes.length, version < 10 ? 8 : 16);
  for (const byte of bytes) put(byte, 8);
  put(0, Math.min(4, 8 * room - bits.length));
  while (bits.length % 8) bits.push(0);
  const data = [];
  for (let i = 0; i < bits.length; i += 8) data.push(parseInt(bits.slice(i, i + 8).join(""), 2));
  for (let pad = 0; data.length < room; pad ^= 1) data.push(pad ? 0x11 : 0xec);
  let at = 0;
  const blocks = sizes.map((size) => data.slice(at, at += size));
  const checks = blocks.map((block) => correction(block, count));
  const woven = (lists) => Array.from({ length: Math.max(...lists.map((l) => l.length)) }, (_, i) => lists.map((l) => l[i])).flat().filter((b) => b !== undefined);
  return { version, words: [...woven(blocks), ...woven(checks)] };
}

// --- modules -----------------------------------------------------------------------------------------

function empty(version) {
  const size = 17 + 4 * version;
  const grid = Array.from({ length: size }, () => Array(size).fill(null));
  const square = (row, column, half, dark) => {
    for (let r = -half; r <= half; r += 1) for (let c = -half; c <= half; c += 1) {
      if (grid[row + r]?.[column + c] !== undefined) grid[row + r][column + c] = dark(Math.max(Math.abs(r), Math.abs(c)));
    }
  };
  for (const [r, c] of [[3, 3], [3, size - 4], [size - 4, 3]]) square(r, c, 4, (d) => (d !== 2 && d !== 4 ? 1 : 0));
  const spots = ALIGNMENT[version];
  for (const r of spots) for (const c of spots) if (grid[r][c] === null) square(r, c, 2, (d) => (d !== 1 ? 1 : 0));
  for (let i = 8; i < size - 8; i += 1) grid[6][i] = grid[i][6] = (i + 1) % 2;
  return grid;
}

function bch(value, generator, length) {
  let rest = value << length;
  for (let i = 31 - Math.clz32(rest); i >= length; i = 31 - Math.clz32(rest)) rest ^= generator << (i - length);
  return value << length | rest;
}

function writeFormat(grid, mask, version) {
  const size = grid.length;
  const format = bch(mask, 0x537, 10) ^ 0x5412; // level M has the bits 00
  for (let i = 0; i < 15; i += 1) {
    const bit = format >> i & 1;
    grid[i < 6 ? i : i < 8 ? i + 1 : size - 15 + i][8] = bit;
    grid[8][i < 8 ? size - 1 - i : i === 8 ? 7 : 14 - i] = bit;
  }
  grid[size - 8][8] = 1;
  if (version < 7) return;
  const told = bch(version, 0x1f25, 12);
  for (let i = 0; i < 18; i += 1) {
    const [a, b] = [Math.floor(i / 3), size - 11 + (i % 3)];
    grid[a][b] = grid[b][a] = told >> i & 1;
  }
}

function writeWords(grid, words, mask) {
  const size = grid.length;
  let i = 0, up = true;
  for (let right = size - 1; right > 0; right -= 2) {
    if (right === 6) right = 5;
    for (let step = 0; step < size; step += 1) {
      const row = up ? size - 1 - step : step;
      for (const column of [right, right - 1]) {
        if (grid[row][column] !== null) continue;
        const bit = (words[i >> 3] ?? 0) >> (7 - (i & 7)) & 1;
        grid[row][column] = bit ^ (MASKS[mask](row, column) === 0 ? 1 : 0);
        i += 1;
      }
    }
    up = !up;
  }
}

function penalty(grid) {
  const size = grid.length;
  const columns = grid[0].map((_, c) => grid.map((row) => row[c]));
  let points = 0;
  for (const line of [...grid, ...columns].map((l) => l.join(""))) {
    for (const run of line.match(/0{5,}|1{5,}/g) ?? []) points += run.length - 2;
    for (let i = 0; i + 11 <= size; i += 1) {
      const part = line.slice(i, i + 11);
      if (part === "10111010000" || part === "00001011101") points += 40;
    }
  }
  for (let r = 0; r + 1 < size; r += 1) for (let c = 0; c + 1 < size; c += 1) {
    const sum = grid[r][c] + grid[r][c + 1] + grid[r + 1][c] + grid[r + 1][c + 1];
    if (sum === 0 || sum === 4) points += 3;
  }
  const dark = grid.flat().reduce((a, b) => a + b) / (size * size);
  return points + 10 * Math.floor(Math.abs(dark * 100 - 50) / 5);
}

/** The code as rows of 0 and 1. `mask` is chosen by the standard's rules unless one is given. */
export function qrModules(text, mask = null) {
  const { version, words } = codewords(new TextEncoder().encode(text));
  const drawn = (one) => {
    const grid = empty(version);
    writeFormat(grid, one, version);
    writeWords(grid, words, one);
    return grid;
  };
  if (mask !== null) return drawn(mask);
  const all = MASKS.map((_, one) => drawn(one));
  return all.reduce((best, grid) => (penalty(grid) < penalty(best) ? grid : best));
}

/** The code as an SVG element, dark on light in every light, with the quiet margin that readers need. */
export function qrSvg(text) {
  const grid = qrModules(text);
  const size = grid.length + 8;
  const name = "http://www.w3.org/2000/svg";
  const svg = document.createElementNS(name, "svg");
  svg.setAttribute("viewBox", `0 0 ${size} ${size}`);
  svg.setAttribute("shape-rendering", "crispEdges");
  const path = document.createElementNS(name, "path");
  path.setAttribute("d", grid.flatMap((row, r) => row.map((bit, c) => (bit ? `M${c + 4} ${r + 4}h1v1h-1z` : ""))).join(""));
  svg.append(path);
  return svg;
}
