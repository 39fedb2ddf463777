"""Kernels of the device: the streams and points of the host, bit for bit, and counting in shared memory."""

DRAWN_EACH = 4
"""Draws of one counter of Philox 4x64."""

SOURCE = r"""
typedef unsigned long long word;

// Philox 4x64-10 (Salmon, Moraes, Dror and Shaw, 2011); numpy counts up before it draws
extern "C" __global__ void philox_uniforms(
    double* out, word key0, word key1, word counter, long long skipped, long long count)
{
    long long place = (long long)blockIdx.x * blockDim.x + threadIdx.x;
    if (4 * place >= count + skipped) return;
    word a = counter + (word)place + 1, b = (a == 0), c = 0, d = 0;
    for (int round = 0; round < 10; ++round) {
        word low0 = 0xD2E7470EE14C6C93ULL * a, high0 = __umul64hi(0xD2E7470EE14C6C93ULL, a);
        word low1 = 0xCA5A826395121157ULL * c, high1 = __umul64hi(0xCA5A826395121157ULL, c);
        a = high1 ^ b ^ key0;
        c = high0 ^ d ^ key1;
        b = low1;
        d = low0;
        key0 += 0x9E3779B97F4A7C15ULL;
        key1 += 0xBB67AE8584CAA73BULL;
    }
    word drawn[4] = {a, b, c, d};
    for (int i = 0; i < 4; ++i) {
        long long at = 4 * place + i - skipped;
        if (at < 0 || at >= count) continue;
        double u = (double)(drawn[i] >> 11) * 1.1102230246251565e-16;
        out[at] = fmin(fmax(u, 5.551115123125783e-17), 1.0 - 1.1102230246251565e-16);
    }
}

__device__ unsigned scrambled(unsigned x, unsigned seed, unsigned odd)
{
    x ^= x * 0x3D20ADEAu;
    x += seed;
    x *= odd | 1u;
    x ^= x * 0x05526C56u;
    return x ^ (x * 0x53A22864u);
}

// exclusive or of the reversed direction numbers, nested uniform scrambling by hashing
extern "C" __global__ void sobol_points(
    double* out, const unsigned* directions, unsigned key0, unsigned key1, unsigned key2, unsigned key3,
    unsigned start, long long count)
{
    long long place = (long long)blockIdx.x * blockDim.x + threadIdx.x;
    if (place >= count) return;
    unsigned x = 0;
    for (unsigned rest = start + (unsigned)place; rest; rest &= rest - 1) x ^= directions[__ffs(rest) - 1];
    x = scrambled(scrambled(x, key0, key1), key2, key3);
    out[place] = ((double)__brev(x) + 0.5) * 2.3283064365386963e-10;
}

// doubles as whole numbers of the same order
__device__ long long ordered(double x)
{
    long long bits = __double_as_longlong(x);
    return bits >= 0 ? bits : bits ^ 0x7FFFFFFFFFFFFFFFLL;
}

// a row of blocks for each load; see Bins.index for the bin of a double; ends: (load, 3) lowest, highest, no numbers
extern "C" __global__ void count_by_load(
    const double* errors, word* counts, long long* ends, long long rows, int loads, double scale, int shift,
    int bias, int half)
{
    extern __shared__ unsigned own[];
    int size = 2 * half + 1, load = blockIdx.y;
    for (int i = threadIdx.x; i < size; i += blockDim.x) own[i] = 0;
    __syncthreads();
    long long step = (long long)gridDim.x * blockDim.x;
    double low = 1.0 / 0.0, high = -1.0 / 0.0;
    int bad = 0;
    for (long long row = (long long)blockIdx.x * blockDim.x + threadIdx.x; row < rows; row += step) {
        double error = errors[row * loads + load];
        if (!isfinite(error)) { ++bad; continue; }
        low = fmin(low, error);
        high = fmax(high, error);
        int bits = __double2hiint(error / scale);
        int bin = min(max(((bits & 0x7FFFFFFF) >> shift) - bias, 0), half);
        atomicAdd(&own[bits < 0 ? half - bin : half + bin], 1u);
    }
    for (int by = 16; by; by >>= 1) {
        low = fmin(low, __shfl_down_sync(0xFFFFFFFFu, low, by));
        high = fmax(high, __shfl_down_sync(0xFFFFFFFFu, high, by));
        bad += __shfl_down_sync(0xFFFFFFFFu, bad, by);
    }
    if (threadIdx.x % 32 == 0) {
        atomicMin(&ends[3 * load], ordered(low));
        atomicMax(&ends[3 * load + 1], ordered(high));
        if (bad) atomicAdd((word*)&ends[3 * load + 2], (word)bad);
    }
    __syncthreads();
    for (int i = threadIdx.x; i < size; i += blockDim.x)
        if (own[i]) atomicAdd(&counts[(long long)load * size + i], (word)own[i]);
}

// a warp for each unit; called once for each condition of use, whose readings begin with number `first`
extern "C" __global__ void judge_units(
    const double* errors, const double* permissible, double* largest, long long* within, bool* halves,
    long long units, int readings, int loads, int first, int first_half, int second_half)
{
    long long unit = ((long long)blockIdx.x * blockDim.x + threadIdx.x) / 32;
    if (unit >= units) return;
    int lane = threadIdx.x % 32, inside = 0, early = 1, late = 1;
    double worst = 0.0;
    for (int i = lane; i < readings * loads; i += 32) {
        double ratio = fabs(errors[unit * readings * loads + i]) / permissible[i % loads];
        int place = first + i / loads, good = ratio <= 1.0;
        worst = fmax(worst, ratio);
        inside += good;
        if (place < first_half) early &= good;
        if (place >= second_half) late &= good;
    }
    for (int by = 16; by; by >>= 1) {
        worst = fmax(worst, __shfl_down_sync(0xFFFFFFFFu, worst, by));
        inside += __shfl_down_sync(0xFFFFFFFFu, inside, by);
        early &= __shfl_down_sync(0xFFFFFFFFu, early, by);
        late &= __shfl_down_sync(0xFFFFFFFFu, late, by);
    }
    if (lane) return;
    largest[unit] = fmax(largest[unit], worst);
    within[unit] += inside;
    halves[unit] = halves[unit] && early;
    halves[units + unit] = halves[units + unit] && late;
}
"""
