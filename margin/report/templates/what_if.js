// What a change of the case would do: the numbers of margin/estimates/what_if/estimator.py, from the same payload.
//
// whatIf(payload, moves) -> {yield, bound, band, effective_units, effective_draws, carries, why, command, target}
//   moves {option, limit, target, spreads: {name: {scale, shift}}}; all but the option may be left out
// mountWhatIf(element, payload) builds the controls and shows the numbers in an element of the page.
"use strict";

const whatIf = (() => {
  const END = 1.6448536269514722, MOST = 0.98, LEAST = 1e-9, STEPS = 48, RESOLVED = 2, LEAST_OPEN = 1e-6;
  const SMALLEST = 1e-4, RATIO_STEP = Math.log(1e4 / 1e-4) / 65535, CHANGE_STEP = 1.5 / 127, CURVE = 0.3, CELLS = 255;
  const EDGE = 1e-4, NOWHERE = -1e30;
  const BAND = {low: 0.025, high: 0.975}, BAND_SIZES = [0.5, 0.7, 1.0, 1.4, 2.0];

  // ---- stored numbers

  const bytes = (text) => Uint8Array.from(atob(text), (c) => c.charCodeAt(0));
  const view = (text) => new DataView(bytes(text).buffer);
  const list = (count, of) => Float64Array.from({length: count}, (_, i) => of(i));
  const floats = (text) => { const v = view(text); return list(v.byteLength / 4, (i) => v.getFloat32(4 * i, true)); };
  const words = (text) => { const v = view(text); return list(v.byteLength / 2, (i) => v.getUint16(2 * i, true)); };
  const even = (stored) => words(stored.codes).map((code) => stored.low + stored.step * code);
  const ratios = (text) => words(text).map((code) => SMALLEST * Math.exp(RATIO_STEP * code));
  const changes = (text) => {
    const v = view(text);
    return list(v.byteLength, (i) => Math.exp(CHANGE_STEP * v.getInt8(i)));
  };
  const edgesOf = (reach) => {
    const half = (CELLS - 1) / 2;
    return list(CELLS + 1, (i) => CURVE * Math.sinh((i - half - 0.5) / half * Math.asinh(reach / CURVE)));
  };

  const read = (payload) => ({
    base: floats(payload.base),
    baseOuter: floats(payload.base_outer),
    names: new Map(payload.movables.map((each, k) => [each.name, k])),
    blocks: payload.blocks.map((each) => ({
      members: each.members, outer: each.outer, rectangular: each.shape === "rectangular",
      table: each.shape.density ? {...each.shape, density: floats(each.shape.density)} : null, draws: each.draws, rows: each.rows,
      values: each.values.map(even), centre: floats(each.centre), root: floats(each.root),
    })),
    options: payload.options.map((each) => ({
      score: ratios(each.score), error: bytes(each.error), edges: edgesOf(each.reach),
      interpolated: each.interpolated.map((one) => ({half: changes(one.half), double: changes(one.double)})),
    })),
    asIs: new Map(),
  });
  const kept = new WeakMap();
  const units = (payload) => {
    if (!kept.has(payload)) kept.set(payload, read(payload));
    return kept.get(payload);
  };

  // ---- the normal distribution

  const phi = (x) => {
    if (x < -38) return 0;
    if (x > 38) return 1;
    if (Math.abs(x) > 5) {
      // continued fraction of the tail, from its end
      let fraction = 0;
      for (let k = 60; k > 0; k -= 1) fraction = k / (Math.abs(x) + fraction);
      const tail = Math.exp(-x * x / 2) / Math.sqrt(2 * Math.PI) / (Math.abs(x) + fraction);
      return x < 0 ? tail : 1 - tail;
    }
    let term = x, sum = x;
    for (let k = 3; Math.abs(term) > 1e-18 * Math.abs(sum) && k < 400; k += 2) { term *= x * x / k; sum += term; }
    return 0.5 + sum * Math.exp(-x * x / 2) / Math.sqrt(2 * Math.PI);
  };
  const score = (share) => {
    const p = Math.min(Math.max(share, LEAST), 1 - LEAST);
    let low = -7, high = 7;
    for (let k = 0; k < 60; k += 1) {
      const middle = 0.5 * (low + high);
      if (phi(middle) < p) low = middle; else high = middle;
    }
    return 0.5 * (low + high);
  };

  // ---- pairs of units of an outer draw

  const legendre = (count) => {
    const nodes = [], weights = [];
    for (let i = 0; i < count; i += 1) {
      let x = Math.cos(Math.PI * (i + 0.75) / (count + 0.5)), slope = 1;
      for (let step = 0; step < 50; step += 1) {
        let p = 1, before = 0;
        for (let n = 0; n < count; n += 1) [p, before] = [((2 * n + 1) * x * p - n * before) / (n + 1), p];
        slope = count * (x * p - before) / (x * x - 1);
        x -= p / slope;
      }
      nodes.push(x);
      weights.push(2 / ((1 - x * x) * slope * slope));
    }
    return {nodes, weights};
  };
  const GAUSS = legendre(20);
  const both = (h, square, correlation) => {
    const half = 0.5 * Math.asin(correlation);
    let sum = 0;
    GAUSS.nodes.forEach((node, i) => {
      sum += GAUSS.weights[i] * Math.exp(-h * h / (1 + Math.sin(half * (node + 1))));
    });
    return square + half * sum / (2 * Math.PI);
  };
  const correlationOfPairs = (share, pairs) => {
    const h = score(share), square = phi(h) ** 2;
    if (pairs <= both(h, square, 0)) return 0;
    let low = 0, high = MOST;
    for (let k = 0; k < STEPS; k += 1) {
      const middle = 0.5 * (low + high);
      if (both(h, square, middle) < pairs) low = middle; else high = middle;
    }
    return 0.5 * (low + high);
  };
  const boundScore = (h, correlation) => (h - END * Math.sqrt(correlation)) / Math.sqrt(1 - correlation);
  const correlationOfBound = (h, bound) => {
    if (bound >= h) return 0;
    let low = 0, high = h <= 0 ? MOST : Math.min(MOST, (END / h) ** 2);
    for (let k = 0; k < STEPS; k += 1) {
      const middle = 0.5 * (low + high);
      if (boundScore(h, middle) > bound) low = middle; else high = middle;
    }
    return 0.5 * (low + high);
  };

  // ---- weights

  const logAt = ({low, step, density}, x) => {
    const place = (x - low) / step, last = density.length - 1;
    const cell = Math.min(Math.max(Math.floor(place), 0), last - 1);
    const between = density[cell] + (place - cell) * (density[cell + 1] - density[cell]);
    return place >= -EDGE && place <= last + EDGE && between > 0 ? Math.log(between) : NOWHERE;
  };
  const logDensity = (block, row, scales, shifts) => {
    const size = block.members.length, fixed = block.rows === 1 ? 0 : row.place;
    let change = 0;
    for (const k of block.members) change -= block.draws * Math.log(scales[k]);
    const back = new Float64Array(size);
    let sum = 0;
    for (let d = 0; d < block.draws; d += 1) {
      for (let m = 0; m < size; m += 1) {
        const k = block.members[m], value = block.values[m][row.unit * block.draws + d];
        back[m] = (value - shifts[k]) / scales[k] - block.centre[fixed * size + m];
        if (block.rectangular && Math.abs(back[m]) > 1 + EDGE) return NOWHERE;
        if (block.table) sum += logAt(block.table, back[m]);
      }
      if (block.rectangular || block.table) continue;
      for (let i = 0; i < size; i += 1) {
        let z = 0;
        for (let j = 0; j < size; j += 1) z += block.root[(fixed * size + i) * size + j] * back[j];
        sum += z * z;
      }
    }
    if (block.table) return Math.max(change + sum, NOWHERE);
    return block.rectangular ? change : change - 0.5 * sum;
  };
  const scaledToOne = (logs) => {
    let most = -Infinity;
    for (const each of logs) most = Math.max(most, each);
    if (most <= 0.5 * NOWHERE) return logs.map(() => 0);
    return logs.map((each) => Math.exp(each - most));
  };
  const weightsOf = (payload, scales, shifts) => {
    const u = units(payload), outer = Float64Array.from(u.baseOuter), own = Float64Array.from(u.base);
    for (const block of u.blocks) {
      const to = block.outer ? outer : own;
      for (let i = 0; i < to.length; i += 1) {
        const place = block.outer ? i : Math.floor(i / payload.per_draw);
        to[i] += logDensity(block, {unit: i, place}, scales, shifts);
      }
    }
    return {outer: scaledToOne(outer), own: scaledToOne(own)};
  };
  const effective = (weights) => {
    let sum = 0, squares = 0;
    for (const w of weights) { sum += w; squares += w * w; }
    return sum > 0 ? sum * sum / squares : 0;
  };

  // ---- yield and bound

  const scoresOf = (payload, option, scales) => {
    const u = units(payload).options[option], found = Float64Array.from(u.score);
    u.interpolated.forEach((each, number) => {
      const scale = scales[payload.interpolated[number]];
      if (scale === 1) return;
      const end = scale < 1 ? each.half : each.double, part = scale < 1 ? (1 - scale) / 0.5 : scale - 1;
      for (let i = 0; i < found.length; i += 1) found[i] += (u.score[i] * end[i] - u.score[i]) * part;
    });
    return found;
  };
  const sumsOf = (payload, option, limit, scales, {outer, own}) => {
    const per = payload.per_draw, clusters = payload.clusters, scores = scoresOf(payload, option, scales);
    const columns = scores.length / payload.units;
    const sums = Array.from({length: clusters}, () => [0, 0, 0, 0]);
    for (let draw = 0; draw < outer.length; draw += 1) {
      let v = 0, vc = 0, squares = 0, conforming = 0;
      for (let i = draw * per; i < (draw + 1) * per; i += 1) {
        let count = 0;
        for (let c = 0; c < columns; c += 1) if (scores[i * columns + c] <= limit) count += 1;
        const good = own[i] * count / columns;
        v += own[i]; squares += own[i] * own[i];
        vc += good; conforming += good * good;
      }
      const sum = sums[Math.floor(draw * clusters / outer.length)];
      sum[0] += outer[draw] * vc;
      sum[1] += outer[draw] * v;
      sum[2] += outer[draw] * (vc * vc - conforming);
      sum[3] += outer[draw] * (v * v - squares);
    }
    const whole = [0, 1, 2, 3].map((k) => sums.reduce((total, sum) => total + sum[k], 0));
    return {whole, without: sums.map((sum) => sum.map((each, k) => whole[k] - each))};
  };
  const shareOf = (sum) => sum[0] / sum[1];
  const correlationOf = (sum) => correlationOfPairs(shareOf(sum), sum[2] / sum[3]);
  const mean = (values) => values.reduce((a, b) => a + b, 0) / values.length;
  const jackknife = (values) => {
    const middle = mean(values);
    return Math.sqrt((values.length - 1) / values.length * values.reduce((s, v) => s + (v - middle) ** 2, 0));
  };
  const regression = (of, on) => {
    const middle = mean(of), middle0 = mean(on);
    let a = 0, b = 0, ab = 0;
    of.forEach((v, k) => { a += (v - middle) ** 2; b += (on[k] - middle0) ** 2; ab += (v - middle) * (on[k] - middle0); });
    return Math.min(a, b) <= 1e-20 ? [0, 0] : [ab / b, ab * ab / (a * b)];
  };
  const wilson = (share, error, most, z) => {
    const trials = error > 0 && share > 0 && share < 1 ? Math.min(share * (1 - share) / error ** 2, most) : most;
    const centre = (share + z * z / (2 * trials)) / (1 + z * z / trials);
    const half = z / (1 + z * z / trials) * Math.sqrt(share * (1 - share) / trials + (z / (2 * trials)) ** 2);
    return [Math.max(centre - half, 0), Math.min(centre + half, 1)];
  };
  const asIsOf = (payload, option) => {
    const u = units(payload);
    if (!u.asIs.has(option)) {
      const scales = payload.movables.map(() => 1), shifts = payload.movables.map(() => 0);
      const weights = weightsOf(payload, scales, shifts), sums = sumsOf(payload, option, 1, scales, weights);
      const weight = weights.own.map((w, i) => w * weights.outer[Math.floor(i / payload.per_draw)]);
      const correlations = payload.nested ? sums.without.map(correlationOf) : [];
      const whole = payload.nested ? correlationOf(sums.whole) : 0;
      u.asIs.set(option, {sums, weight, correlations, whole});
    }
    return u.asIs.get(option);
  };
  const yieldsOf = (payload, option, limit, scales, weights, count) => {
    const study = payload.options[option].study, {t, z} = payload, asIs = asIsOf(payload, option);
    const moved = sumsOf(payload, option, limit, scales, weights);
    const y0 = shareOf(asIs.sums.whole), y0s = asIs.sums.without.map(shareOf), ys = moved.without.map(shareOf);
    let y = shareOf(moved.whole), slope = 0, open = 0, explained = 0;
    if (study) {
      [slope, explained] = regression(ys, y0s);
      y += slope * (study.yield - y0);
      open = slope * (study.high - study.low) / (2 * z);
    }
    const error = Math.hypot(t / z * jackknife(ys.map((v, k) => v - slope * y0s[k])), open);
    const value = Math.min(Math.max(y, 0), 1), [low, high] = wilson(value, error, count / Math.max(1 - explained, LEAST_OPEN), z);
    const found = {yield: {value, low, high}, bound: {value, low, high}};
    if (payload.nested && !study) found.bound = null;
    if (payload.nested && study) {
      const adjusted = ys.map((v, k) => v + slope * (study.yield - y0s[k]));
      found.bound = boundOf(value, adjusted, explained, moved, asIs, study, payload);
    }
    return found;
  };
  const boundOf = (value, adjusted, explained, moved, asIs, study, {t, z}) => {
    const h = score(study.yield), b = score(study.bound), ofStudy = correlationOfBound(h, b);
    const left = b - boundScore(h, ofStudy), usual = Math.sqrt(Math.max(1 - explained, 0));
    let r = ofStudy, kept = 0;
    if (asIs.whole > RESOLVED * jackknife(asIs.correlations) && asIs.correlations.every((c) => c > 0)) {
      const noise = jackknife(moved.without.map((sum, k) => correlationOf(sum) / asIs.correlations[k]));
      kept = usual ** 2 / Math.max(usual ** 2 + noise ** 2, 1e-30);
      r *= 1 + kept * (correlationOf(moved.whole) / asIs.whole - 1);
    }
    const error = ofStudy * usual * Math.sqrt(1 - kept), y = score(value);
    const scores = [0, 1, -1].map((k) => boundScore(y, Math.min(Math.max(r + k * z * error, 0), MOST)));
    const at = scores[0], inner = t * jackknife(adjusted.map((each) => boundScore(score(each), Math.min(r, MOST))));
    const below = Math.hypot(inner, b - score(study.bound_low), at - Math.min(...scores));
    const above = Math.hypot(inner, score(study.bound_high) - b, Math.max(...scores) - at);
    return {value: phi(at + left), low: phi(at + left - below), high: phi(at + left + above)};
  };

  // ---- error band

  const quantile = (histogram, edges, share) => {
    let total = 0;
    for (const each of histogram) total += each;
    const wanted = share * total;
    let before = 0, cell = 0;
    while (cell < histogram.length - 1 && before + histogram[cell] < wanted) { before += histogram[cell]; cell += 1; }
    const inside = histogram[cell] > 0 ? (wanted - before) / histogram[cell] : 0;
    return edges[cell] + inside * (edges[cell + 1] - edges[cell]);
  };
  const interpolate = (at, from, to) => {
    if (at <= from[0]) return to[0];
    for (let k = 1; k < from.length; k += 1) {
      if (at <= from[k]) return to[k - 1] + (to[k] - to[k - 1]) * (at - from[k - 1]) / (from[k] - from[k - 1]);
    }
    return to[to.length - 1];
  };
  const bandOf = (payload, option, limit, scales, weight) => {
    const stated = payload.options[option], u = units(payload).options[option], loads = payload.loads.length;
    const {weight: before} = asIsOf(payload, option), clusters = payload.clusters;
    const draws = weight.length / payload.per_draw;
    return payload.loads.map((load, k) => {
      const row = {load, limit: limit * payload.permissible[k]};
      const now = new Float64Array(CELLS), old = new Float64Array(CELLS);
      for (let i = 0; i < weight.length; i += 1) {
        now[u.error[i * loads + k]] += weight[i];
        old[u.error[i * loads + k]] += before[i];
      }
      for (const end of ["low", "high"]) {
        const at = quantile(now, u.edges, BAND[end]);
        const below = new Float64Array(clusters), total = new Float64Array(clusters);
        for (let i = 0; i < weight.length; i += 1) {
          const cluster = Math.floor(Math.floor(i / payload.per_draw) * clusters / draws), cell = u.error[i * loads + k];
          const part = (at - u.edges[cell]) / (u.edges[cell + 1] - u.edges[cell]);
          below[cluster] += weight[i] * Math.min(Math.max(part, 0), 1);
          total[cluster] += weight[i];
        }
        const all = below.reduce((a, b) => a + b, 0), whole = total.reduce((a, b) => a + b, 0);
        const error = jackknife(Array.from(below, (b, c) => (all - b) / (whole - total[c])));
        let change = 0;
        stated.interpolated.forEach((each, number) => {
          const scale = scales[payload.interpolated[number]];
          change += interpolate(scale, BAND_SIZES, each.band[end].map((of) => of[k]));
        });
        if (stated.study) change += stated.study.band[end][k] - quantile(old, u.edges, BAND[end]);
        row[end] = payload.permissible[k] * (at + change);
        for (const [name, side] of [["low", -1], ["high", 1]]) {
          const share = Math.min(Math.max(BAND[end] + side * payload.t * error, 0), 1);
          row[`${end}_${name}`] = payload.permissible[k] * (quantile(now, u.edges, share) + change);
        }
      }
      return row;
    });
  };

  // ---- the command that runs the moved case

  const plain = (value) => {
    const rounded = Number(value.toPrecision(6));
    if (rounded !== 0 && Math.abs(rounded) < 1e-6) return rounded.toFixed(20).replace(/0+$/, "").replace(/\.$/, "");
    return Object.is(rounded, -0) ? "-0" : String(rounded);
  };
  const withUnit = (value, unit) => `${plain(value)} ${unit}`.trim();
  const limitText = (limit, multiple) => {
    const parts = limit.parts.map((part) => `${plain(part.number * multiple)} ${part.unit}`);
    if (parts.length === 1) return parts[0];
    return `${limit.combine} of ${parts.slice(0, -1).join(", ")} and ${parts[parts.length - 1]}`;
  };
  const changeText = (quantity, scales, shifts) => {
    const whole = quantity.scaled < 0 ? 1 : scales[quantity.scaled];
    const texts = quantity.spreads.map((each) => {
      const scale = each.moved < 0 ? 1 : scales[each.moved], shift = each.moved < 0 ? 0 : shifts[each.moved];
      const factor = each.relative ? 1 : whole;
      const middle = (each.middle * scale + shift * each.size) * factor, size = each.size * scale * factor;
      const numbers = each.shape === "normal"
        ? [...(middle !== 0 ? [["mean", middle]] : []), ["sd", size]]
        : [["low", middle - size], ["high", middle + size]];
      const parts = [`level = "${each.level}"`, `shape = "${each.shape}"`];
      for (const [name, value] of numbers) parts.push(`${name} = "${withUnit(value, each.unit)}"`);
      if (each.from !== null) parts.push(`from_units = ${each.from}`);
      return `{ ${parts.join(", ")} }`;
    });
    const value = withUnit(quantity.nominal * whole, quantity.unit);
    return texts.length ? `{ value = "${value}", spread = [${texts.join(", ")}] }` : value;
  };
  const commandOf = (payload, limit, target, scales, shifts) => {
    const isMoved = (k) => k >= 0 && (scales[k] !== 1 || shifts[k] !== 0), written = new Set(), found = [];
    if (limit !== 1) found.push(`requirement.permissible_error=${limitText(payload.limit, limit)}`);
    if (target !== payload.target) found.push(`requirement.yield=${plain(100 * target)} %`);
    for (const quantity of payload.rerun.quantities) {
      const places = [quantity.scaled, ...quantity.spreads.map((each) => each.moved)];
      if (!places.some(isMoved)) continue;
      found.push(`${quantity.key}=${changeText(quantity, scales, shifts)}`);
      places.forEach((k) => written.add(k));
    }
    if (scales.some((_, k) => isMoved(k) && !written.has(k))) return "";
    const quoted = found.map((text) => `--change '${text.replaceAll("'", "'\"'\"'")}'`);
    return [payload.rerun.command, ...quoted].join(" ");
  };

  const whyNot = (payload, scales, effectiveUnits, effectiveDraws) => {
    const moved = payload.movables.map((each, k) => k).filter((k) => payload.movables[k].how === "interpolated" && scales[k] !== 1);
    if (moved.length > 1) return "two spreads with many draws in a unit are moved at once";
    if (!moved.every((k) => scales[k] >= 0.5 && scales[k] <= 2)) {
      return "a spread with many draws in a unit is moved beyond half or twice its size";
    }
    if (effectiveUnits < payload.floor.units) return `fewer than ${payload.floor.units} effective units`;
    return effectiveDraws < payload.floor.draws ? `fewer than ${payload.floor.draws} effective outer draws` : "";
  };

  return (payload, moves) => {
    const option = payload.options.findIndex((each) => each.name === moves.option);
    if (option < 0) throw new RangeError(`no option ${moves.option}`);
    const scales = payload.movables.map(() => 1), shifts = payload.movables.map(() => 0);
    for (const [name, move] of Object.entries(moves.spreads ?? {})) {
      const k = units(payload).names.get(name);
      if (k === undefined) throw new RangeError(`no spread ${name}`);
      scales[k] = move.scale ?? 1;
      shifts[k] = move.shift ?? 0;
    }
    const limit = moves.limit ?? 1, target = moves.target ?? payload.target;
    const weights = weightsOf(payload, scales, shifts);
    const weight = weights.own.map((w, i) => w * weights.outer[Math.floor(i / payload.per_draw)]);
    const count = effective(weight), draws = payload.nested ? effective(weights.outer) : count;
    const why = whyNot(payload, scales, count, draws);
    const found = why
      ? {yield: null, bound: null, band: []}
      : {...yieldsOf(payload, option, limit, scales, weights, count), band: bandOf(payload, option, limit, scales, weight)};
    return {
      ...found, target, effective_units: count, effective_draws: draws, carries: why === "", why,
      command: commandOf(payload, limit, target, scales, shifts),
    };
  };
})();

// ---- controls and drawing

const mountWhatIf = (element, payload) => {
  const INK = "currentColor", SOFT = "var(--soft, #55595d)", NOW = "#0072B2", LIMIT = "var(--bad, #a33f00)", SVG = "http://www.w3.org/2000/svg";
  const make = (name, attributes = {}, ...children) => {
    const made = document.createElement(name);
    for (const [key, value] of Object.entries(attributes)) {
      // a colour of the page is a matter of style: attributes need not know variables
      if (key === "fill" || key === "stroke") made.style.setProperty(key, value);
      else made.setAttribute(key, value);
    }
    made.append(...children);
    return made;
  };
  const draw = (name, attributes = {}, text = "") => {
    const made = document.createElementNS(SVG, name);
    for (const [key, value] of Object.entries(attributes)) {
      // a colour of the page is a matter of style: attributes need not know variables
      if (key === "fill" || key === "stroke") made.style.setProperty(key, value);
      else made.setAttribute(key, value);
    }
    if (text) made.textContent = text;
    return made;
  };
  const percent = (share) => {
    const digits = share > 0.99 || share < 0.01 ? 2 : 1;
    // what rounds to all or none is not all or none
    if (share < 1 && share > 0.99995) return "> 99.99 %";
    if (share > 0 && share < 0.00005) return "< 0.01 %";
    return `${(100 * share).toFixed(digits)} %`;
  };
  const interval = ({value, low, high}) => `${percent(value)} (${percent(low)} to ${percent(high)})`;
  const short = (value) => String(Number(value.toPrecision(3)));

  // one slider and one number input, both by keyboard, that follow each other; a number may lie beyond the slider
  const name = element.id || "what-if";
  let numbered = 0;
  const control = (label, unit, {low, high, present, step, floor}, change) => {
    numbered += 1;
    const id = `${name}-${numbered}`, shown = Number(present.toPrecision(6));
    const slider = make("input", {type: "range", id, min: low, max: high, step: "any", value: present});
    const number = make("input", {type: "number", step: "any", value: shown, "aria-label": `${label}, ${unit || "number"}`});
    const put = (value) => { slider.setAttribute("aria-valuetext", `${short(value)} ${unit}`); change(value); };
    slider.addEventListener("input", () => {
      // near the present value means it
      const value = Math.abs(slider.value - present) < step ? present : Number(Number(slider.value).toPrecision(3));
      number.value = Number(value.toPrecision(6));
      put(value);
    });
    number.addEventListener("change", () => {
      const value = Number(number.value);
      if (number.value === "" || !Number.isFinite(value) || value <= floor) { number.value = slider.value; return; }
      slider.value = value;
      put(value === shown ? present : value);
    });
    const reset = () => {
      slider.value = present;
      number.value = shown;
      slider.setAttribute("aria-valuetext", `${short(present)} ${unit}`);
    };
    reset();
    return {row: make("div", {class: "what-if-row"}, make("label", {for: id}, label), slider, number, make("span", {}, unit)), reset};
  };

  const moves = {option: payload.options[0].name, limit: 1, target: payload.target, spreads: {}};
  const still = () => ({...moves, limit: 1, target: payload.target, spreads: {}});
  const resets = [];
  const add = (parent, made) => { parent.append(made.row); resets.push(made.reset); };
  let waiting = 0;
  const later = () => { cancelAnimationFrame(waiting); waiting = requestAnimationFrame(show); };

  const choice = make("select", {id: `${name}-option`});
  payload.options.forEach((each) => choice.append(make("option", {value: each.name}, each.name)));
  const focus = payload.options.findIndex((each) => each.name === payload.focus);
  if (focus >= 0) { choice.selectedIndex = focus; moves.option = payload.focus; }
  choice.addEventListener("change", () => { moves.option = choice.value; later(); });

  const requirement = make("fieldset", {}, make("legend", {}, "Requirement and calibration"));
  requirement.append(make("div", {class: "what-if-row"}, make("label", {for: `${name}-option`}, "Calibration option"), choice));
  add(requirement, control("Permissible error", "% of the present one", {low: 50, high: 200, present: 100, step: 1, floor: 0}, (value) => {
    moves.limit = value / 100; later();
  }));
  add(requirement, control("Required yield", "%", {low: 50, high: 99.9, present: 100 * payload.target, step: 0.1, floor: 0}, (value) => {
    moves.target = value === 100 * payload.target ? payload.target : Math.min(value / 100, 0.9999); later();
  }));

  const spreads = make("fieldset", {}, make("legend", {}, "Spreads, the leading ones first"));
  for (const each of payload.movables) {
    const move = {scale: 1, shift: 0}, [low, high] = each.scales, size = each.present;
    const put = (key) => (value) => { move[key] = value; moves.spreads[each.name] = move; later(); };
    if (high > low) {
      const place = put("scale");
      add(spreads, control(`${each.name}: ${each.kind}`, each.unit,
        {low: size * low, high: size * high, present: size, step: size * (high - low) / 200, floor: 0},
        (value) => place(value === size ? 1 : value / size)));
    }
    const [least, most] = each.shifts;
    if (each.can_shift && most > least) {
      const place = put("shift");
      add(spreads, control(`${each.name}: change of the mean`, each.unit,
        {low: size * least, high: size * most, present: 0, step: size * (most - least) / 200, floor: -Infinity},
        (value) => place(value / size)));
    }
  }
  const all = make("details", {open: ""}, make("summary", {}, "Spreads"), spreads);
  const back = make("button", {type: "button"}, "Back to the case as it is");
  back.addEventListener("click", () => {
    Object.assign(moves, still());
    for (const each of Object.values(moves.spreads)) Object.assign(each, {scale: 1, shift: 0});
    resets.forEach((reset) => reset());
    later();
  });
  const said = make("div", {role: "status", "aria-live": "polite", class: "what-if-said"});
  const picture = make("div", {class: "what-if-picture"}), rerun = make("div");
  element.append(said, rerun, picture, requirement, all, back);
  if (payload.left.length) {
    const items = payload.left.map((each) => make("li", {}, `${each.name}: ${each.why}`));
    element.append(make("details", {}, make("summary", {}, "Needs another run"), make("ul", {}, ...items)));
  }

  const yieldsPicture = (now, before) => {
    const width = 640, left = 130, right = 610, svg = draw("svg", {viewBox: "0 0 640 140", role: "img"});
    const bounded = payload.nested && now.bound !== null;
    const ends = [now.yield.low, before.yield.low, now.target, ...(bounded ? [now.bound.low, before.bound.low] : [])];
    const least = Math.max(Math.floor(20 * Math.min(...ends)) / 20 - 0.05, 0);
    const x = (share) => left + (right - left) * (share - least) / (1 - least);
    svg.append(draw("title", {}, "Yield and lower bound with their intervals, and the required yield"));
    const row = (y, label, of, color, dash) => {
      svg.append(draw("line", {x1: x(of.low), x2: x(of.high), y1: y, y2: y, stroke: color, "stroke-width": 2, ...dash}));
      svg.append(draw("circle", {cx: x(of.value), cy: y, r: 4, fill: color}));
      if (label) svg.append(draw("text", {x: left - 8, y: y + 8, "text-anchor": "end", "font-size": 13, fill: INK}, label));
    };
    row(30, "Yield", now.yield, NOW, {});
    row(42, "", before.yield, SOFT, {"stroke-dasharray": "4 3"});
    if (bounded) {
      row(72, "Lower bound", now.bound, NOW, {});
      row(84, "", before.bound, SOFT, {"stroke-dasharray": "4 3"});
    }
    svg.append(draw("line", {x1: x(now.target), x2: x(now.target), y1: 14, y2: 104, stroke: LIMIT, "stroke-width": 1.5}));
    svg.append(draw("text", {x: x(now.target), y: 10, "text-anchor": "middle", "font-size": 12, fill: LIMIT},
      `required ${short(100 * now.target)} %`));
    svg.append(draw("line", {x1: left, x2: right, y1: 104, y2: 104, stroke: SOFT}));
    for (let k = 0; k <= 4; k += 1) {
      const share = least + (1 - least) * k / 4;
      svg.append(draw("text", {x: x(share), y: 120, "text-anchor": "middle", "font-size": 12, fill: INK}, short(100 * share)));
    }
    svg.append(draw("text", {x: (left + right) / 2, y: 136, "text-anchor": "middle", "font-size": 12, fill: INK},
      "Share that conforms (%): moved (blue), as it is (grey, dashed)"));
    return svg;
  };

  const bandPicture = (now, before) => {
    const left = 60, right = 610, top = 14, bottom = 210, svg = draw("svg", {viewBox: "0 0 640 266", role: "img"});
    svg.append(draw("title", {}, "95 % error band over load, relative to the present permissible error"));
    const first = payload.loads[0], last = payload.loads[payload.loads.length - 1];
    const relative = (row, k, end) => row[end] / payload.permissible[k];
    const sizes = [...now.band, ...before.band].flatMap((row, k) => {
      const load = k % payload.loads.length;
      return [relative(row, load, "low"), relative(row, load, "high"), relative(row, load, "limit")].map(Math.abs);
    });
    const most = Math.min(Math.max(1.1, 1.1 * Math.max(...sizes)), 5);
    const x = (load) => left + (right - left) * (last > first ? (load - first) / (last - first) : 0.5);
    const y = (value) => top + (bottom - top) * (most - Math.min(Math.max(value, -most), most)) / (2 * most);
    const line = (rows, end, sign, attributes) => {
      const points = rows.map((row, k) => `${x(row.load)},${y(sign * relative(row, k, end))}`).join(" ");
      svg.append(draw("polyline", {points, fill: "none", ...attributes}));
    };
    const upper = now.band.map((row, k) => `${x(row.load)},${y(relative(row, k, "high"))}`);
    const lower = now.band.map((row, k) => `${x(row.load)},${y(relative(row, k, "low"))}`).reverse();
    svg.append(draw("polygon", {points: [...upper, ...lower].join(" "), fill: NOW, "fill-opacity": 0.18}));
    for (const end of ["low", "high"]) {
      line(now.band, end, 1, {stroke: NOW, "stroke-width": 2});
      line(before.band, end, 1, {stroke: SOFT, "stroke-width": 1.5, "stroke-dasharray": "4 3"});
    }
    for (const sign of [-1, 1]) line(now.band, "limit", sign, {stroke: LIMIT, "stroke-width": 1.5});
    svg.append(draw("line", {x1: left, x2: right, y1: y(0), y2: y(0), stroke: SOFT, "stroke-width": 0.5}));
    for (const value of [-1, 0, 1]) {
      svg.append(draw("text", {x: left - 8, y: y(value) + 4, "text-anchor": "end", "font-size": 12, fill: INK}, String(value)));
    }
    for (const load of payload.loads) {
      svg.append(draw("text", {x: x(load), y: bottom + 16, "text-anchor": "middle", "font-size": 12, fill: INK}, short(load)));
    }
    const below = ["Load (N)", "Error over the present permissible error, 95 % of readings: moved (blue), as it is (grey, dashed)"];
    below.forEach((text, k) => {
      const place = {x: (left + right) / 2, y: bottom + 34 + 16 * k, "text-anchor": "middle", "font-size": 12, fill: INK};
      svg.append(draw("text", place, text));
    });
    return svg;
  };

  const asIs = new Map();
  const show = () => {
    if (!asIs.has(moves.option)) asIs.set(moves.option, whatIf(payload, still()));
    const now = whatIf(payload, moves), before = asIs.get(moves.option);
    said.replaceChildren();
    rerun.replaceChildren();
    picture.replaceChildren();
    const line = (text) => said.append(make("p", {}, text));
    const isMoved = moves.limit !== 1 || moves.target !== payload.target
      || Object.values(moves.spreads).some((each) => each.scale !== 1 || each.shift !== 0);
    if (now.carries) {
      const bound = payload.nested && now.bound ? `; lower bound, approximate, ${interval(now.bound)}` : "";
      line(`Yield ${interval(now.yield)}${bound}; required ${short(100 * now.target)} %.`);
      line(`${Math.round(now.effective_units)} effective units of ${payload.units}; intervals at ${short(100 * payload.level)} %.`);
      picture.append(yieldsPicture(now, before), bandPicture(now, before));
    } else {
      line(`The stored units do not carry this move (${now.why}): another run is needed.`);
    }
    if (!isMoved) return;
    if (now.command) {
      rerun.append(make("p", {}, now.carries ? "Full study of the moved case:" : "Run again:", make("code", {}, now.command)));
    } else {
      rerun.append(make("p", {}, "No command writes this change: change the case file and run it again."));
    }
  };
  show();
};
