"""Kernels of the device: the streams and points of the host, bit for bit, and counting into bins."""

DRAWN_EACH = 4
"""Draws of one counter of Philox 4x64."""

UNIFORMS = r"""
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
"""

SOBOL = r"""
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
"""

BINS = r"""
typedef unsigned long long word;

// see Bins.index for the bin of a double
extern "C" __global__ void count_in_bins(
    const double* values, word* counts, long long many, double scale, int shift, int below, int half)
{
    extern __shared__ unsigned own_bins[];
    const int size = 2 * half + 1;
    for (int i = threadIdx.x; i < size; i += blockDim.x) own_bins[i] = 0;
    __syncthreads();
    const long long step = (long long)gridDim.x * blockDim.x;
    for (long long place = (long long)blockIdx.x * blockDim.x + threadIdx.x; place < many; place += step) {
        const int bits = __double2hiint(values[place] / scale);
        const int bin = min(max(((bits & 0x7FFFFFFF) >> shift) - below, 0), half);
        atomicAdd(&own_bins[bits < 0 ? half - bin : half + bin], 1u);
    }
    __syncthreads();
    for (int i = threadIdx.x; i < size; i += blockDim.x)
        if (own_bins[i]) atomicAdd(&counts[i], (word)own_bins[i]);
}
"""
