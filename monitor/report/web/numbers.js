/* One stretch of the session from the same seconds and blocks as the study, with its formulas. */
const BLOCK_S = 10, WHOLE = 0.98, LEAST_W = 30, LEAST_S = 5, SHORT_S = 30, LEAST_BLOCKS = 3, LEAST_RIDDEN = 0.5, MOST_EXACT = 400;
const PER_W = 1000; /* powers are whole milliwatts */
const known = (v) => v != null && isFinite(v);
const mean = (values) => values.reduce((a, b) => a + b, 0) / values.length;

function t975(dof) {
  const table = data.t975;
  if (dof <= 1) return table[0];
  if (dof >= 30) {
    const z = 1.959963984540054;
    return z + (z ** 3 + z) / (4 * dof) + (5 * z ** 5 + 16 * z ** 3 + 3 * z) / (96 * dof * dof);
  }
  const low = Math.floor(dof), part = (1 / low - 1 / dof) / (1 / low - 1 / (low + 1));
  return table[low - 1] * Math.pow(table[low] / table[low - 1], part);
}
function atHub(loss, w) { return w > 0 ? Math.max(0, w * (1 - loss[1] / 100) - loss[0]) : w; }

/* Blocks of ten known seconds: [log ratio, first second]. */
function blocksOf(own, theirs, from, to) {
  const found = [];
  let run = 0;
  for (let s = from; s <= to; s++) {
    if (s < to && known(own[s]) && known(theirs[s])) { run++; } else { run = 0; continue; }
    if (run < BLOCK_S) continue;
    run = 0;
    let a = 0, b = 0;
    for (let k = s - BLOCK_S + 1; k <= s; k++) { a += own[k]; b += theirs[k]; }
    a /= PER_W * BLOCK_S; b /= PER_W * BLOCK_S;
    if (b >= LEAST_W && a > 0.05 * b) found.push([Math.log(a / b), s - BLOCK_S + 1]);
  }
  return found;
}
function autocorrelation(y) {
  const n = y.length;
  if (n < 3) return 0;
  const m = mean(y), d = y.map((v) => v - m), s = d.reduce((a, v) => a + v * v, 0);
  if (s <= 0) return 0;
  let p = 0;
  for (let k = 1; k < n; k++) p += d[k] * d[k - 1];
  return Math.min(0.99, p / s + (1 + 4 * p / s) / n);
}
/* Student's half-width of neighbouring blocks with the session's usual spread. */
function interval(y, usual) {
  const n = y.length, m = mean(y);
  const own = n > 1 ? y.reduce((a, v) => a + (v - m) ** 2, 0) / (n - 1) : 0;
  const weight = Math.min(4, usual.dof), dof = weight + n - 1;
  if (dof < 1) return Infinity;
  const variance = (weight * usual.sd ** 2 + (n - 1) * own) / dof;
  const r = Math.min(Math.max(n >= 8 ? autocorrelation(y) : usual.r, 0), 0.99);
  const worth = Math.max(1, n * (1 - r) / (1 + r));
  return t975(Math.max(1, weight + worth - 1)) * Math.sqrt(variance / worth);
}
function covariance(noise, distance) {
  return noise.parts.reduce((sum, p, k) => sum + p * Math.exp(-distance / data.taus[k]), distance < 0.5 ? noise.nugget : 0);
}
function varianceOfMean(noise, at) {
  const n = at.length;
  let sum = 0;
  if (n <= MOST_EXACT) {
    for (let j = 0; j < n; j++) for (let k = 0; k < n; k++) sum += covariance(noise, Math.abs(at[j] - at[k]));
    return sum / (n * n);
  }
  const count = new Array(Math.floor((at[n - 1] - at[0]) / BLOCK_S) + 1).fill(0);
  at.forEach((t) => { count[Math.floor((t - at[0]) / BLOCK_S)]++; });
  sum = n * covariance(noise, 0);
  for (let k = 1; k < Math.min(count.length, 150); k++) {
    let pairs = 0;
    for (let j = k; j < count.length; j++) pairs += count[j] * count[j - k];
    sum += 2 * pairs * noise.parts.reduce((a, p, i) => a + p * Math.exp(-k * BLOCK_S / data.taus[i]), 0);
  }
  return sum / (n * n);
}
/* Solutions of C x = b for several b, C positive definite: Cholesky's method. */
function solve(c, columns) {
  const n = c.length;
  for (let j = 0; j < n; j++) {
    for (let k = 0; k <= j; k++) {
      let sum = c[j][k];
      for (let i = 0; i < k; i++) sum -= c[j][i] * c[k][i];
      c[j][k] = j === k ? Math.sqrt(sum) : sum / c[k][k];
    }
  }
  return columns.map((b) => {
    const x = b.slice();
    for (let j = 0; j < n; j++) { for (let k = 0; k < j; k++) x[j] -= c[j][k] * x[k]; x[j] /= c[j][j]; }
    for (let j = n - 1; j >= 0; j--) { for (let k = j + 1; k < n; k++) x[j] -= c[k][j] * x[k]; x[j] /= c[j][j]; }
    return x;
  });
}
/* Half-width of the mean of blocks: the session's covariance, its size held against their own scatter. */
function halfWidth(y, at, noise, usual) {
  const n = y.length;
  if (!n) return Infinity;
  const size = noise.nugget + noise.parts.reduce((a, p) => a + p, 0);
  if (noise.dof < 1 || size <= 0) return interval(y, usual);
  const prior = Math.min(8, noise.dof);
  let factor = 1, dof = Math.max(1, n > MOST_EXACT ? noise.dof : prior);
  if (n >= 2 && n <= MOST_EXACT) {
    const c = at.map((t) => at.map((u) => covariance(noise, Math.abs(t - u))));
    const [ones, own] = solve(c, [y.map(() => 1), y]);
    const sum = (v) => v.reduce((a, b) => a + b, 0);
    const center = sum(own) / sum(ones);
    const q = y.reduce((a, v, k) => a + (v - center) * (own[k] - center * ones[k]), 0);
    factor = (prior + q) / (prior + n - 1);
    dof = prior + n - 1;
  }
  return dof >= 1 ? t975(dof) * Math.sqrt(factor * varianceOfMean(noise, at)) : Infinity;
}
/* Running work of a whole series (its unit times seconds), what is not known taken as even. */
const works = new Map();
function workOf(series) {
  if (!works.has(series)) {
    const at = [], sum = new Float64Array(series.length + 1);
    series.forEach((v, k) => { if (known(v)) at.push(k); });
    for (let k = 0, next = 0; k < series.length; k++) {
      while (next < at.length - 1 && at[next] < k) next++;
      const right = at[next], left = right > k && next > 0 ? at[next - 1] : right;
      const part = right > left && k > left ? Math.min(1, (k - left) / (right - left)) : 0;
      sum[k + 1] = sum[k] + (at.length ? series[left] + part * (series[right] - series[left]) : 0);
    }
    works.set(series, sum);
  }
  const sum = works.get(series);
  return (t) => {
    const x = Math.min(Math.max(t, 0), series.length), low = Math.min(Math.floor(x), series.length - 1);
    return sum[low] + (x - low) * (sum[low + 1] - sum[low]);
  };
}
/* The most by which the mean changes, percent, if the stretch is read up to `bound` seconds off. */
function edgeOf(own, theirs, from, to, bound) {
  let worst = 0;
  [own, theirs].forEach((series) => {
    const work = workOf(series), base = work(to) - work(from);
    [-1, -0.5, 0.5, 1].forEach((part) => {
      const off = Math.abs((work(to + part * bound) - work(from + part * bound)) / base - 1);
      if (isFinite(off)) worst = Math.max(worst, off);
    });
  });
  return 100 * worst;
}
function judge(deviation, u95, limit, blocks) {
  if (u95 == null) return "undecided";
  if (Math.abs(deviation) + u95 <= limit) return "agrees";
  return Math.abs(deviation) - u95 > limit && blocks >= 2 ? "differs" : "undecided";
}
/* One instrument against its reference over the whole seconds [from, to); null: too little is known. */
function compare(pair, from, to) {
  const own = pair.own, theirs = data.series[pair.reference_w];
  let a = 0, b = 0, n = 0, ridden = 0;
  for (let s = from; s < to; s++) if (known(own[s]) && known(theirs[s])) {
    a += own[s] / PER_W; b += theirs[s] / PER_W; n++;
    ridden += theirs[s] / PER_W >= LEAST_W ? 1 : 0;
  }
  if (n < LEAST_S || b / n < LEAST_W || ridden < LEAST_RIDDEN * n) return null;
  a /= n; b /= n;
  const base = atHub(pair.base_loss, b), found = blocksOf(own, theirs, from, to);
  const spread = 100 * halfWidth(found.map((x) => x[0]), found.map((x) => x[1]), pair.noise, pair.usual);
  const loss = 1.96 * data.loss_spread * Math.max(...pair.losses.map((l) => 100 * (1 - atHub(l, b) / b)));
  const edge = edgeOf(own, theirs, from, to, pair.lag_bound_s);
  const left_open = pair.held.reduce((sum, [at, joules2]) => sum + (at >= from && at < to ? joules2 : 0), 0);
  const held = 196 * Math.sqrt(left_open) / ((to - from) * b);
  const u95 = isFinite(spread) && found.length >= LEAST_BLOCKS ? Math.hypot(spread, loss, held, edge) : null;
  const deviation = 100 * (a / b - 1), limit = Math.max(pair.tolerance_percent, 100 * data.floor_w / b);
  const shown = atHub(pair.loss, a);
  const result = {
    reference: pair.reference, deviation_percent: deviation, u95_percent: u95, limit_percent: limit,
    delta_w: shown - base, delta_percent: 100 * (shown / base - 1), blocks: found.length,
    verdict: judge(deviation, u95, limit, found.length), left_delta_w: null, right_delta_w: null,
  };
  const sides = ["left", "right"].map((side) => pair[side] && [pair[side], data.series[pair[side + "_reference"]]])
    .map((two) => two && two[0].slice(from, to).some((v, k) => known(v) && known(two[1][from + k])) ? two : null);
  let dl = 0, dr = 0, both = 0;
  for (let s = from; s < to; s++) {
    if (!sides.every((two) => !two || (known(two[0][s]) && known(two[1][s])))) continue;
    both++;
    if (sides[0]) dl += (sides[0][0][s] - sides[0][1][s]) / PER_W;
    if (sides[1]) dr += (sides[1][0][s] - sides[1][1][s]) / PER_W;
  }
  if (both >= LEAST_S) {
    if (sides[0]) result.left_delta_w = dl / both;
    if (sides[1]) result.right_delta_w = dr / both;
  }
  return result;
}
/* Which of the seconds [from, to) all have that were heard at least half of the time: one row, one time. */
function sameSeconds(from, to) {
  const heard = (row) => {
    let n = 0;
    for (let s = from; s < to; s++) n += (row.part[s] == null ? 1 : row.part[s]) > WHOLE;
    return n >= 0.5 * (to - from) && row.shown.slice(from, to).some(known);
  };
  const rows = Object.values(data.rows).filter(heard), same = [];
  for (let s = from; s < to; s++) if (rows.every((row) => known(row.shown[s]))) same.push(s);
  return same.length < Math.min(LEAST_S, to - from) ? [] : same;
}
/* What an instrument showed over the whole seconds [from, to): over `same`, else over its own. */
function meansOf(row, from, to, same) {
  const own = [];
  let heard = 0;
  for (let s = from; s < to; s++) {
    if (known(row.shown[s])) own.push(s);
    heard += row.part[s] == null ? 1 : row.part[s];
  }
  const used = same.length && same.every((s) => known(row.shown[s])) ? same : own;
  const average = (series, seconds) => seconds.reduce((sum, s) => sum + series[s] / PER_W, 0) / seconds.length;
  const sided = row.left && used.length ? used.filter((s) => known(row.left[s])) : [];
  const left = sided.length ? average(row.left, sided) : null;
  return {
    power_w: used.length ? average(row.shown, used) : null,
    left_w: left != null && row.sides !== "right" ? left : null,
    right_w: left != null && row.sides !== "left" ? average(row.shown, sided) - left : null,
    coverage: Math.min(1, heard / (to - from)),
  };
}
/* To as many decimals as the study has: both show the same then. */
const DECIMALS = { deviation_percent: 3, u95_percent: 3, limit_percent: 3, delta_percent: 3 };
function rounded(row) {
  if (row) Object.keys(row).forEach((key) => {
    if (typeof row[key] === "number" && key !== "blocks") row[key] = Number(row[key].toFixed(DECIMALS[key] || 2));
  });
  return row;
}
/* All instruments over the whole seconds [from, to). */
function stretch(from, to) {
  const same = sameSeconds(from, to);
  return data.labels.filter((label) => data.rows[label]).map((label) => ({
    label: label, means: rounded(meansOf(data.rows[label], from, to, same)),
    difference: data.pairs[label] ? rounded(compare(data.pairs[label], from, to)) : null,
  }));
}
