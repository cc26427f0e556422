// A plate of wood with one bore whose rim is a quarter-round, path-traced.
// Builds with nvcc (device pointers) and with g++ -x c++ (host pointers).
// Millimetres; z = 0 is the top face, z up. One pixel grid a hole.
#include <math.h>
#include <stdint.h>
#ifdef __CUDACC__
#define HD __host__ __device__ __forceinline__
#else
#define HD static inline
#endif
#include "rim_fields.h"  // struct Hole of floats, written by rim_scenes.py

struct V { float x, y, z; };
HD V mk(float x, float y, float z) { V v; v.x = x; v.y = y; v.z = z; return v; }
HD V operator+(V a, V b) { return mk(a.x + b.x, a.y + b.y, a.z + b.z); }
HD V operator-(V a, V b) { return mk(a.x - b.x, a.y - b.y, a.z - b.z); }
HD V operator*(V a, float s) { return mk(a.x * s, a.y * s, a.z * s); }
HD V operator*(V a, V b) { return mk(a.x * b.x, a.y * b.y, a.z * b.z); }
HD float dot(V a, V b) { return a.x * b.x + a.y * b.y + a.z * b.z; }
HD V unit(V a) { return a * (1.0f / sqrtf(dot(a, a) + 1e-20f)); }
HD float clampf(float x, float a, float b) { return fminf(fmaxf(x, a), b); }
HD float smooth(float a, float b, float x) { float t = clampf((x - a) / (b - a), 0.f, 1.f); return t * t * (3 - 2 * t); }
HD uint32_t hash32(uint32_t x) { x ^= x >> 16; x *= 0x7feb352dU; x ^= x >> 15; x *= 0x846ca68bU; x ^= x >> 16; return x; }
HD float uni(uint32_t &s) { s = s * 747796405u + 2891336453u; uint32_t w = ((s >> ((s >> 28u) + 4u)) ^ s) * 277803737u; w = (w >> 22u) ^ w; return (w >> 8) * (1.0f / 16777216.0f); }
HD float lattice(int x, int y, int z, uint32_t seed) { return (hash32((uint32_t)x * 73856093u ^ (uint32_t)y * 19349663u ^ (uint32_t)z * 83492791u ^ seed) >> 8) * (2.0f / 16777216.0f) - 1.0f; }
HD float noise3(V p, uint32_t seed) {
  float fx = floorf(p.x), fy = floorf(p.y), fz = floorf(p.z);
  int ix = (int)fx, iy = (int)fy, iz = (int)fz;
  float u = p.x - fx, v = p.y - fy, w = p.z - fz;
  u = u * u * (3 - 2 * u); v = v * v * (3 - 2 * v); w = w * w * (3 - 2 * w);
  float r = 0;
  for (int k = 0; k < 8; k++) {
    int a = k & 1, b = (k >> 1) & 1, c = k >> 2;
    r += (a ? u : 1 - u) * (b ? v : 1 - v) * (c ? w : 1 - w) * lattice(ix + a, iy + b, iz + c, seed);
  }
  return r;
}

// ---- shape -------------------------------------------------------------
HD float bore_axis(const Hole &h, V p, float &x, float &y) {
  x = p.x - h.lean_x * p.z; y = p.y - h.lean_y * p.z;
  // out of round: slight ellipse
  float c = h.oval_c, s = h.oval_s;  // amplitude times cos, sin of twice the direction
  float r2 = x * x + y * y + 1e-12f, r = sqrtf(r2);
  float co2 = (x * x - y * y) / r2, si2 = 2 * x * y / r2;
  return r * (1.0f - c * co2 - s * si2);
}
HD float chamfer_at(const Hole &h, float x, float y) {
  float r = sqrtf(x * x + y * y) + 1e-6f;
  return h.chamfer * (1.0f + h.chamfer_ax * x / r + h.chamfer_ay * y / r);
}
HD float sd_plate(const Hole &h, V p) {
  float d;
  if (h.radius > 0) {
    float x, y, rho = bore_axis(h, p, x, y);
    float c = chamfer_at(h, x, y);
    float qx = h.radius + c - rho, qz = p.z + c;
    float ox = fmaxf(qx, 0.f), oz = fmaxf(qz, 0.f);
    d = sqrtf(ox * ox + oz * oz) + fminf(fmaxf(qx, qz), 0.f) - c;
    // exit edge, rounded by exit_round
    float e = h.exit_round;
    float ax = h.radius + e - rho, az = -(p.z + h.thick) + e;
    float bx = fmaxf(ax, 0.f), bz = fmaxf(az, 0.f);
    float d2 = sqrtf(bx * bx + bz * bz) + fminf(fmaxf(ax, az), 0.f) - e;
    d = fmaxf(d, d2);
  } else {
    d = fmaxf(p.z, -(p.z + h.thick));
  }
  if (h.edge_at < 1e3f) {
    float e = h.edge_round;
    float qx = p.x * h.edge_x + p.y * h.edge_y - h.edge_at + e, qz = p.z + e;
    float ox = fmaxf(qx, 0.f), oz = fmaxf(qz, 0.f);
    float d3 = sqrtf(ox * ox + oz * oz) + fminf(fmaxf(qx, qz), 0.f) - e;
    d = fmaxf(d, d3);
  }
  return d;
}
HD float sd_cover(const Hole &h, V p) {
  if (h.cover_h <= 0) return 1e9f;
  float q = h.cover_at - (p.x * h.cover_x + p.y * h.cover_y);
  float dz = fmaxf(p.z - h.cover_h, -p.z - 0.0f);
  float ox = fmaxf(q, 0.f), oz = fmaxf(dz, 0.f);
  return sqrtf(ox * ox + oz * oz) + fminf(fmaxf(q, dz), 0.f);
}
HD float sd_plug(float px, float py, float pz, float pr, float pe, float tx, float ty, V p) {
  if (pr <= 0) return 1e9f;
  float x = p.x - px - tx * (p.z - pz), y = p.y - py - ty * (p.z - pz);
  float qx = sqrtf(x * x + y * y) - pr + pe, qz = p.z - pz + pe;
  float ox = fmaxf(qx, 0.f), oz = fmaxf(qz, 0.f);
  return sqrtf(ox * ox + oz * oz) + fminf(fmaxf(qx, qz), 0.f) - pe;
}
HD float sd_plugs(const Hole &h, V p) {
  float d = sd_plug(h.p1x, h.p1y, h.p1z, h.p1r, h.plug_round * h.p1r, h.p1tx, h.p1ty, p);
  d = fminf(d, sd_plug(h.p2x, h.p2y, h.p2z, h.p2r, h.plug_round * h.p2r, h.p2tx, h.p2ty, p));
  d = fminf(d, sd_plug(h.p3x, h.p3y, h.p3z, h.p3r, h.plug_round * h.p3r, h.p3tx, h.p3ty, p));
  return fminf(d, sd_plug(h.p4x, h.p4y, h.p4z, h.p4r, h.plug_round * h.p4r, h.p4tx, h.p4ty, p));
}
HD float sd_all(const Hole &h, V p, int &what) {
  float d = sd_plate(h, p); what = 0;
  if (h.p1r > 0) { float e = sd_plugs(h, p); if (e < d) { d = e; what = 1; } }
  if (h.cover_h > 0) { float e = sd_cover(h, p); if (e < d) { d = e; what = 2; } }
  return d;
}
HD V normal(const Hole &h, V p) {
  const float e = 1.5e-3f; int w;
  float a = sd_all(h, p + mk(e, -e, -e), w), b = sd_all(h, p + mk(-e, -e, e), w);
  float c = sd_all(h, p + mk(-e, e, -e), w), d = sd_all(h, p + mk(e, e, e), w);
  return unit(mk(a - b - c + d, -a - b + c + d, -a + b - c + d));
}
// returns 1 hit, 0 escaped upwards, -1 escaped downwards
HD int march(const Hole &h, V &p, V d, int &what) {
  float top = h.top;
  if (p.z > top) {
    if (d.z >= 0) return 0;
    p = p + d * ((top - p.z) / d.z + 1e-4f);
  }
  for (int i = 0; i < 70; i++) {
    float s = sd_all(h, p, what);
    if (s < 1e-3f) return 1;
    p = p + d * fmaxf(s * 0.97f, 8e-4f);
    if (p.z > top + 2e-3f) { if (d.z > 0) return 0; }
    if (p.z < -h.thick - 0.3f && d.z < 0) return -1;
    if (p.x * p.x + p.y * p.y > 1.6e3f) return d.z > 0 ? 0 : (p.z < 0 ? -1 : 1);
  }
  return sd_all(h, p, what) < 0.05f ? 1 : (d.z > 0 ? 0 : -1);
}

// ---- light -------------------------------------------------------------
HD V sky(const Hole &h, V d) {
  float g = h.sky0 * (1.0f + h.sky_gx * d.x + h.sky_gy * d.y + h.sky_gz * (d.z - 0.5f));
  g *= smooth(h.sky_lo - 0.15f, h.sky_lo + 0.15f, d.z) * (1 - h.sky_floor) + h.sky_floor;
  g = fmaxf(g, 0.f);
  return mk(g * h.sky_r, g * h.sky_g, g * h.sky_b);
}
HD V floor_light(const Hole &h, V p, V d) {
  float t = (-h.floor_depth - p.z) / fminf(d.z, -1e-3f);
  float x = p.x + d.x * t, y = p.y + d.y * t;
  float far = 1.0f / (1.0f + (x * x + y * y) / (4.0f * h.floor_depth * h.floor_depth));
  float k = smooth(-h.floor_soft, h.floor_soft, x * h.floor_x + y * h.floor_y - h.floor_at);
  return (mk(h.fl_r, h.fl_g, h.fl_b) * (h.floor1 * (1 - k)) + mk(h.fm_r, h.fm_g, h.fm_b) * (h.floor2 * k)) * far;
}
HD float cap_cos(float a) { return cosf(a); }
HD V cap_dir(V axis, float cos_a, float u, float v) {
  float c = 1 - u * (1 - cos_a), s = sqrtf(fmaxf(0.f, 1 - c * c)), f = 6.2831853f * v;
  V t = fabsf(axis.z) < 0.9f ? mk(0, 0, 1) : mk(1, 0, 0);
  V a = unit(mk(axis.y * t.z - axis.z * t.y, axis.z * t.x - axis.x * t.z, axis.x * t.y - axis.y * t.x));
  V b = mk(axis.y * a.z - axis.z * a.y, axis.z * a.x - axis.x * a.z, axis.x * a.y - axis.y * a.x);
  return axis * c + a * (s * cosf(f)) + b * (s * sinf(f));
}
// Light of window and sun towards direction d, weighted against sampling them directly (balance heuristic);
// pb is the density with which d was drawn.
HD V lamps(const Hole &h, V d, float pb) {
  V r = mk(0, 0, 0);
  float ca = cap_cos(h.win_a);
  if (dot(d, mk(h.win_x, h.win_y, h.win_z)) > ca) r = r + mk(h.win_r, h.win_g, h.win_b) * (pb / (pb + 1.0f / (6.2831853f * (1 - ca))));
  ca = cap_cos(h.sun_a);
  if (h.sun > 0 && dot(d, mk(h.sun_x, h.sun_y, h.sun_z)) > ca) {
    float om = 6.2831853f * (1 - ca);
    r = r + mk(h.sun_r, h.sun_g, h.sun_b) * (h.sun / om * (pb / (pb + 1.0f / om)));
  }
  return r;
}

// ---- surface -----------------------------------------------------------
HD float grain(const Hole &h, V p, uint32_t seed) {
  float u = p.x * h.grain_x + p.y * h.grain_y, v = -p.x * h.grain_y + p.y * h.grain_x;
  float f = h.grain_f;
  float w = noise3(mk(u * f * 0.06f, v * f * 0.25f, p.z * f * 0.25f), seed ^ 0x51u) * 0.6f;
  float g = noise3(mk(u * f * 0.08f, v * f + w, p.z * f), seed) * 0.6f + noise3(mk(u * f * 0.3f, v * f * 2.7f, p.z * f * 2.7f), seed ^ 0x99u) * 0.4f;
  float pores = noise3(mk(u * f * 0.5f, v * f * 5.f, p.z * f * 2.f), seed ^ 0x77u);
  return g * h.grain_a - h.pore_a * smooth(0.35f, 0.6f, pores);
}
HD V albedo(const Hole &h, V p, V n, int what, float &ks, float &rough, bool first) {
  if (what == 2) {
    ks = 0.05f; rough = 0.2f;
    // print: blotches, or lines square to the edge as on a ruler
    float k = noise3(mk(p.x * h.cover_f, p.y * h.cover_f, 3.f), 77u) > h.cover_t ? 1.f : h.cover_k;
    if (h.cover_lines > 0) {
      float along = (-p.x * h.cover_y + p.y * h.cover_x) * h.cover_lines, deep = p.x * h.cover_x + p.y * h.cover_y - h.cover_at;
      float row = floorf(along);
      k = fabsf(along - row - 0.5f) < 0.13f && deep < (fmodf(fabsf(row), 5.f) < 0.5f ? 5.f : 3.f) ? h.cover_k : 1.f;
    }
    return mk(h.cov_r, h.cov_g, h.cov_b) * k;
  }
  if (what == 1) {
    ks = h.plug_ks; rough = h.plug_rough;
    float k = 1.0f + 0.25f * noise3(mk(p.x * 5, p.y * 5, p.z * 1.5f), 13u + (uint32_t)h.seed) * h.plug_tex;
    float s = fabsf(p.x * h.slot_x + p.y * h.slot_y);
    if (h.slot_w > 0 && s < h.slot_w) k *= 0.15f;
    return mk(h.plug_r, h.plug_g, h.plug_b) * k;
  }
  uint32_t seed = (uint32_t)h.seed;
  float rho = 1e3f, x = p.x, y = p.y, c = 0;
  if (h.radius > 0) { rho = bore_axis(h, p, x, y); c = chamfer_at(h, x, y); }
  float g = first ? grain(h, p, seed) : 0.f;
  V face = mk(h.face_r, h.face_g, h.face_b) * fmaxf(1.0f + g * h.face_tex, 0.1f);
  V raw = mk(h.raw_r, h.raw_g, h.raw_b) * fmaxf(1.0f + g * h.raw_tex + (first ? h.ring_a * noise3(mk(1.3f, 0.2f * atan2f(y, x), p.z * h.ring_f), seed ^ 5u) : 0.f), 0.1f);
  // rubbed or raw band beside the hole
  if (h.band_at < 1e3f) {
    float k = smooth(-h.band_soft, h.band_soft, p.x * h.band_x + p.y * h.band_y - h.band_at + h.band_soft * noise3(mk(p.x, p.y, 9.f), seed));
    face = face * (1 - k) + mk(h.band_r, h.band_g, h.band_b) * (k * fmaxf(1.0f + g * h.raw_tex, 0.1f));
  }
  float out = rho - h.radius - c;  // 0 at the outer end of the rounding
  if (h.halo_a != 0 && h.radius > 0) face = face * (1.0f - h.halo_a * expf(-fmaxf(out, 0.f) / h.halo_w) * (1 + 0.5f * noise3(mk(p.x * 2, p.y * 2, 4.f), seed)));
  if (h.mark_a != 0) {  // track of an old strand, from the hole outwards
    float t = p.x * h.mark_x + p.y * h.mark_y, s = -p.x * h.mark_y + p.y * h.mark_x;
    if (t > 0) face = face * (1.0f - h.mark_a * (1 - smooth(h.mark_w * 0.7f, h.mark_w, fabsf(s))));
  }
  if (h.crack_w > 0) {
    float t = p.x * h.crack_x + p.y * h.crack_y, s = -p.x * h.crack_y + p.y * h.crack_x + 0.4f * noise3(mk(t * 0.7f, 1.f, 2.f), seed);
    if (t > 0) face = face * (1.0f - 0.9f * (1 - smooth(h.crack_w * 0.6f, h.crack_w, fabsf(s))));
  }
  if (h.spot_a > 0) {  // ink, knot, stain
    float u = ((p.x - h.spot_x) * h.spot_c + (p.y - h.spot_y) * h.spot_s) / h.spot_rx, v = (-(p.x - h.spot_x) * h.spot_s + (p.y - h.spot_y) * h.spot_c) / h.spot_ry;
    float r = sqrtf(u * u + v * v) + h.spot_n * noise3(mk(p.x * 1.5f, p.y * 1.5f, 6.f), seed);
    float k = h.spot_a * (1 - smooth(1 - h.spot_soft, 1 + h.spot_soft, r));
    if (h.spot_ring > 0) k *= 0.7f + 0.3f * sinf(r * h.spot_ring);
    face = face * (1 - k) + mk(h.spot_r, h.spot_g, h.spot_b) * k;
  }
  ks = h.face_ks; rough = h.face_rough;
  if (h.radius > 0) {
    // finish ends at outer end of the rounding plus finish_off chamfers
    float s = (rho > h.radius + 1e-3f && p.z > -c - 1e-3f) ? out : -c - fmaxf(-p.z - c, 0.f);
    float w = h.finish_soft;
    float k = smooth(-w, w, s - h.finish_off * c + h.finish_n * (first ? noise3(mk(p.x * 2.5f, p.y * 2.5f, p.z * 2.5f), seed ^ 21u) : 0.f));
    ks = ks * k + h.raw_ks * (1 - k); rough = rough * k + h.raw_rough * (1 - k);
    face = face * k + raw * (1 - k);
    float depth = fmaxf(-p.z, 0.f);
    face = face * (1.0f - h.dirt * smooth(0.f, h.dirt_d, depth));
  }
  return mk(clampf(face.x, 0.f, 0.95f), clampf(face.y, 0.f, 0.95f), clampf(face.z, 0.f, 0.95f));
}

HD V trace(const Hole &h, V p, V d, float *q, uint32_t &s) {
  V sum = mk(0, 0, 0), w = mk(1, 1, 1);
  float pb = 0;  // density of a mirrored direction, 0 after a diffuse one
  for (int k = 0; k < 7; k++) {
    int what, r = march(h, p, d, what);
    if (r <= 0) {
      V e = r == 0 ? sky(h, d) : floor_light(h, p, d);
      if (r == 0 && pb > 0) e = e + lamps(h, d, pb);
      return sum + w * e;
    }
    V n = normal(h, p);
    if (dot(n, d) > 0) n = n * -1.0f;
    float ks, rough;
    V a = albedo(h, p, n, what, ks, rough, k == 0);
    float fr = ks + (1 - ks) * powf(1 - clampf(-dot(n, d), 0.f, 1.f), 5.f) * (ks > 0 ? 0.6f : 0.f);
    V o = p + n * 4e-3f;
    float u0 = k == 0 ? q[0] : uni(s), u1 = k == 0 ? q[1] : uni(s), u2 = k == 0 ? q[2] : uni(s), u3 = k == 0 ? q[3] : uni(s), u4 = k == 0 ? q[4] : uni(s);
    bool now_spec = u4 < fr;
    V mirror = d - n * (2 * dot(d, n));
    float ex = 2.0f / (rough * rough + 1e-4f);
    V tint = what == 1 && h.plug_metal > 0 ? a : mk(1, 1, 1);
    // window and sun, sampled directly
    for (int L = 0; L < 2; L++) {
      if (L == 1 && h.sun <= 0) continue;
      V ax = L == 0 ? mk(h.win_x, h.win_y, h.win_z) : mk(h.sun_x, h.sun_y, h.sun_z);
      float ca = cap_cos(L == 0 ? h.win_a : h.sun_a), om = 6.2831853f * (1 - ca);
      V l = cap_dir(ax, ca, L == 0 ? u0 : u2, L == 0 ? u1 : u3);
      float c = dot(l, n);
      if (c <= 0 || l.z <= 0) continue;
      float ph = fr * (ex + 1) * 0.15915494f * powf(fmaxf(dot(mirror, l), 0.f), ex);
      float f = (1 - fr) * c * 0.31830989f;
      V g = a * f + tint * (ph / (1.0f + ph * om));
      if (g.x + g.y + g.z < 1e-5f) continue;
      V pp = o; int ww;
      if (march(h, pp, l, ww) == 0) {
        V e = L == 0 ? mk(h.win_r, h.win_g, h.win_b) * om : mk(h.sun_r, h.sun_g, h.sun_b) * h.sun;
        sum = sum + w * e * g;
      }
    }
    if (!now_spec) {
      w = w * a;
      float z1 = k == 0 ? u2 : uni(s), z2 = k == 0 ? u3 : uni(s);
      if (k == 0) { z1 = q[5]; z2 = q[6]; }
      float st = sqrtf(z1), f = 6.2831853f * z2, cz = sqrtf(fmaxf(0.f, 1 - z1));
      V t = fabsf(n.z) < 0.9f ? mk(0, 0, 1) : mk(1, 0, 0);
      V b1 = unit(mk(n.y * t.z - n.z * t.y, n.z * t.x - n.x * t.z, n.x * t.y - n.y * t.x));
      V b2 = mk(n.y * b1.z - n.z * b1.y, n.z * b1.x - n.x * b1.z, n.x * b1.y - n.y * b1.x);
      d = unit(n * cz + b1 * (st * cosf(f)) + b2 * (st * sinf(f)));
      pb = 0;
    } else {
      w = w * tint;
      float c = powf(fmaxf(uni(s), 1e-6f), 1.0f / (ex + 1));
      pb = fr * (ex + 1) * 0.15915494f * powf(c, ex);
      V m = cap_dir(mirror, c, 1.0f, uni(s));
      if (dot(m, n) < 1e-3f) return sum;
      d = m;
    }
    p = o;
    float lum = fmaxf(w.x, fmaxf(w.y, w.z));
    if (lum < 0.02f) return sum;
    if (k >= 3) { if (uni(s) > lum) return sum; w = w * (1.0f / lum); }
  }
  return sum;
}

HD void pixel(const Hole *holes, int hole, int size, int col, int row, float *out, uint32_t salt) {
  const Hole &h = holes[hole];
  float half = 0.5f * (size - 1);
  float r = h.reach_px;
  float *o = out + ((long long)(hole * (long long)size + row) * size + col) * 3;
  float dx = col - half, dy = row - half;
  if (fabsf(dx) > r || fabsf(dy) > r) { o[0] = o[1] = o[2] = 0; return; }
  int spp = (int)h.spp;
  uint32_t s = hash32(hash32((uint32_t)(row * 131 + col) ^ salt) + (uint32_t)hole * 2654435761u);
  float start[9];
  for (int k = 0; k < 9; k++) start[k] = uni(s);
  const float step[9] = {0.85667488f, 0.73389185f, 0.62870672f, 0.53859725f, 0.46140274f, 0.39527265f, 0.33861846f, 0.29008425f, 0.24850630f};
  V eye = mk(-h.slope_x * h.eye_h, -h.slope_y * h.eye_h, h.eye_h), sum = mk(0, 0, 0);
  for (int i = 0; i < spp; i++) {
    float q[9];
    for (int k = 0; k < 9; k++) { float t = start[k] + (i + 1) * step[k]; q[k] = t - floorf(t); }
    float x = dx + h.off_x + q[7] - 0.5f, y = dy + h.off_y + q[8] - 0.5f;
    V g = mk(h.m00 * x + h.m01 * y, h.m10 * x + h.m11 * y, 0);
    V d = unit(g - eye);
    V p = g - d * (fmaxf(h.top, 0.f) / fmaxf(-d.z, 0.05f) + 0.05f);
    V c = trace(h, p, d, q, s);
    float m = fmaxf(c.x, fmaxf(c.y, c.z)), lim = h.clip;
    if (m > lim) c = c * (lim / m);
    sum = sum + c;
  }
  o[0] = sum.x / spp; o[1] = sum.y / spp; o[2] = sum.z / spp;
}

#ifdef __CUDACC__
__global__ void kernel(const Hole *holes, int n, int size, float *out, uint32_t salt) {
  int hole = blockIdx.x;
  int idx = blockIdx.y * blockDim.x + threadIdx.x;
  const Hole &h = holes[hole];
  int side = 2 * (int)ceilf(h.reach_px) + 1;
  if (side > size) side = size;
  if (idx >= side * side) return;
  int off = (size - side) / 2;
  pixel(holes, hole, size, off + idx % side, off + idx / side, out, salt);
}
extern "C" void render(const void *holes, int n, int size, float *out, uint32_t salt) {
  dim3 grid(n, (size * size + 127) / 128);
  kernel<<<grid, 128>>>((const Hole *)holes, n, size, out, salt);
}
#else
extern "C" void render(const void *holes, int n, int size, float *out, uint32_t salt) {
  for (int i = 0; i < n; i++)
    for (int row = 0; row < size; row++)
      for (int col = 0; col < size; col++) pixel((const Hole *)holes, i, size, col, row, out, salt);
}
#endif
