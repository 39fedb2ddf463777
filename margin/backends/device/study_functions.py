"""Functions of the device that a kernel made from a graph calls: draws, bins, extremes."""

SUPPORT = r"""
typedef unsigned long long word;

__device__ __forceinline__ double uniform_of(word drawn)
{
    const double u = (double)(drawn >> 11) * 1.1102230246251565e-16;
    return fmin(fmax(u, 5.551115123125783e-17), 1.0 - 1.1102230246251565e-16);
}

// Philox 4x64-10 (Salmon, Moraes, Dror and Shaw, 2011); numpy counts up before it draws
__device__ __forceinline__ void philox(word key0, word key1, word block, word& a, word& b, word& c, word& d)
{
    a = block + 1; b = (a == 0); c = 0; d = 0;
    #pragma unroll
    for (int round = 0; round < 10; ++round) {
        const word low0 = 0xD2E7470EE14C6C93ULL * a, high0 = __umul64hi(0xD2E7470EE14C6C93ULL, a);
        const word low1 = 0xCA5A826395121157ULL * c, high1 = __umul64hi(0xCA5A826395121157ULL, c);
        a = high1 ^ b ^ key0;
        c = high0 ^ d ^ key1;
        b = low1;
        d = low0;
        key0 += 0x9E3779B97F4A7C15ULL;
        key1 += 0xBB67AE8584CAA73BULL;
    }
}

// one uniform of a stream
__device__ __forceinline__ double single(word key0, word key1, word index)
{
    word a, b, c, d;
    philox(key0, key1, index >> 2, a, b, c, d);
    const int lane = index & 3;
    return uniform_of(lane < 2 ? (lane == 0 ? a : b) : (lane == 2 ? c : d));
}

// uniforms of a stream one after another
struct Draws {
    word key0, key1, block, a, b, c, d;
    int left;
    __device__ __forceinline__ Draws(word first, word second, word index) : key0(first), key1(second)
    {
        block = index >> 2;
        philox(key0, key1, block, a, b, c, d);
        left = 4;
        for (int skipped = index & 3; skipped; --skipped) shift();
    }
    __device__ __forceinline__ void shift() { a = b; b = c; c = d; --left; }
    __device__ __forceinline__ double next()
    {
        if (left == 0) {
            philox(key0, key1, ++block, a, b, c, d);
            left = 4;
        }
        const double u = uniform_of(a);
        shift();
        return u;
    }
};

// what is not a number goes on as such
__device__ __forceinline__ double lower_of(double value, double limit)
{
    return limit < value || limit != limit ? limit : value;
}

__device__ __forceinline__ double higher_of(double value, double limit)
{
    return limit > value || limit != limit ? limit : value;
}

// a % b and a // b as numpy has them: the remainder has the sign of b
__device__ __forceinline__ double rest_of(double a, double b)
{
    const double rest = fmod(a, b);
    if (rest == 0.0) return copysign(0.0, b);
    return (rest < 0.0) != (b < 0.0) ? rest + b : rest;
}

__device__ __forceinline__ double whole_quotient(double a, double b)
{
    if (b == 0.0) return a / b;
    const double rest = fmod(a, b);
    const bool apart = rest != 0.0 && (rest < 0.0) != (b < 0.0);
    const double quotient = (a - rest) / b - (apart ? 1.0 : 0.0);
    return quotient == 0.0 ? copysign(0.0, a / b) : rint(quotient);
}

__device__ __forceinline__ long long first_of_block() { return (long long)blockIdx.x * blockDim.x; }

__device__ __forceinline__ long long all_threads() { return (long long)gridDim.x * blockDim.x; }

// doubles as whole numbers of the same order
__device__ __forceinline__ long long ordered(double x)
{
    const long long bits = __double_as_longlong(x);
    return bits >= 0 ? bits : bits ^ 0x7FFFFFFFFFFFFFFFLL;
}

// bin of a double in units of the scale, see Bins.index
__device__ __forceinline__ int bin_of(double x, int shift, int below, int half)
{
    const int bits = __double2hiint(x);
    const int bin = min(max(((bits & 0x7FFFFFFF) >> shift) - below, 0), half);
    return bits < 0 ? half - bin : half + bin;
}

__device__ __forceinline__ void extreme(long long* ends, int rows, int row, double error)
{
    const long long place = ordered(error);
    if (place < ends[row]) atomicMin(&ends[row], place);
    if (place > ends[rows + row]) atomicMax(&ends[rows + row], place);
}

// bins of a block: two counts of 16 bits in a word
__device__ __forceinline__ void count_own(unsigned* own_bins, unsigned bin)
{
    atomicAdd(&own_bins[bin >> 1], bin & 1 ? 0x10000u : 1u);
}

__device__ __forceinline__ void hand_over(unsigned* own_bins, int words, unsigned* bins)
{
    __syncthreads();
    for (int i = threadIdx.x; i < words; i += blockDim.x) {
        const unsigned two = own_bins[i];
        if (two & 0xFFFFu) atomicAdd(&bins[2 * i], two & 0xFFFFu);
        if (two >> 16) atomicAdd(&bins[2 * i + 1], two >> 16);
        own_bins[i] = 0;
    }
    __syncthreads();
}

__device__ __forceinline__ void begin_counts(
    unsigned* own_bins, int words, long long* ends, int rows, unsigned* marked, int marks)
{
    for (int i = threadIdx.x; i < words; i += blockDim.x) own_bins[i] = 0;
    for (int i = threadIdx.x; i < rows; i += blockDim.x) {
        ends[i] = 0x7FFFFFFFFFFFFFFFLL;
        ends[rows + i] = -0x7FFFFFFFFFFFFFFFLL - 1;
    }
    for (int i = threadIdx.x; i < marks; i += blockDim.x) marked[i] = 0;
    __syncthreads();
}

__device__ __forceinline__ void end_counts(
    const long long* own_ends, long long* ends, int rows, const unsigned* own_marked, unsigned* marked, int marks)
{
    __syncthreads();
    for (int i = threadIdx.x; i < rows; i += blockDim.x) {
        atomicMin(&ends[i], own_ends[i]);
        atomicMax(&ends[rows + i], own_ends[rows + i]);
    }
    for (int i = threadIdx.x; i < marks; i += blockDim.x)
        if (own_marked[i]) atomicAdd(&marked[i], own_marked[i]);
}
"""
