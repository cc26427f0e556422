"""Degrade, read, learn: the torch side of the rim model (training only)."""

import math

import numpy as np
import torch
import torch.nn.functional as F
from torch import nn

A, K = 32, 48  # rays, radii
R_LO, R_HI = 0.15, 2.1
C = 32  # side of the coarse patch
C_HALF = 2.2
SIZE = 127


# ---- photograph ---------------------------------------------------------
def srgb(x):
    return torch.where(x <= 0.0031308, 12.92 * x, 1.055 * x.clamp_min(1e-8) ** (1 / 2.4) - 0.055)


def linear(v):
    return torch.where(v <= 0.04045, v / 12.92, ((v.clamp_min(0) + 0.055) / 1.055) ** 2.4)


def blur(img, sx, sy):
    """Gaussian of sigma (B,) px along x and y; img (B,3,H,W)."""
    for s, dim in ((sx, 3), (sy, 2)):
        r = 5 if float(s.max()) < 2 else 9
        k = torch.arange(-r, r + 1, device=img.device, dtype=torch.float32)
        # Gaussian integrated over pixels, minus nothing: the tracer already averages over the pixel
        w = torch.exp(-0.5 * (k[None] / s[:, None].clamp_min(0.12)) ** 2)
        w = (w / w.sum(1, keepdim=True)).to(img.dtype)
        pad = (r, r, 0, 0) if dim == 3 else (0, 0, r, r)
        p = F.pad(img, pad, mode="replicate")
        n = img.shape[dim]
        out = torch.zeros_like(img)
        for i in range(2 * r + 1):
            out = out + p.narrow(dim, i, n) * w[:, i, None, None, None]
        img = out
    return img


LUMA = np.array(
    [
        [16, 11, 10, 16, 24, 40, 51, 61],
        [12, 12, 14, 19, 26, 58, 60, 55],
        [14, 13, 16, 24, 40, 57, 69, 56],
        [14, 17, 22, 29, 51, 87, 80, 62],
        [18, 22, 37, 56, 68, 109, 103, 77],
        [24, 35, 55, 64, 81, 104, 113, 92],
        [49, 64, 78, 87, 103, 121, 120, 101],
        [72, 92, 95, 98, 112, 100, 103, 99],
    ]
)
CHROMA = np.full((8, 8), 99)
CHROMA[:4, :4] = [[17, 18, 24, 47], [18, 21, 26, 66], [24, 26, 56, 99], [47, 66, 99, 99]]


def _dct(dev):
    k = torch.arange(8, device=dev, dtype=torch.float32)
    d = torch.cos(math.pi * (2 * k[None] + 1) * k[:, None] / 16) * 0.5
    d[0] *= 1 / math.sqrt(2)
    return d


def _quantise(x, table):
    b, h, w = x.shape
    d = _dct(x.device)
    t = x.reshape(b, h // 8, 8, w // 8, 8).permute(0, 1, 3, 2, 4)
    t = d @ t @ d.T
    q = table[:, None, None]
    t = torch.round(t / q) * q
    t = d.T @ t @ d
    return t.permute(0, 1, 3, 2, 4).reshape(b, h, w)


def jpeg(v, quality, ox, oy):
    """V (B,3,H,W) RGB codes 0..255; quality (B,), 0 for none. 4:2:0 chroma."""
    on = quality > 0
    q = quality.clamp(5, 100)
    sc = torch.where(q < 50, 5000 / q, 200 - 2 * q)
    tl = ((torch.tensor(LUMA, device=v.device)[None] * sc[:, None, None] + 50) / 100).floor().clamp(1, 255)
    tc = ((torch.tensor(CHROMA, device=v.device)[None] * sc[:, None, None] + 50) / 100).floor().clamp(1, 255)
    h, w = v.shape[2:]
    H = (h + oy + 15) // 16 * 16
    W = (w + ox + 15) // 16 * 16
    p = F.pad(v, (ox, W - w - ox, oy, H - h - oy), mode="replicate")
    y = 0.299 * p[:, 0] + 0.587 * p[:, 1] + 0.114 * p[:, 2]
    cb, cr = (p[:, 2] - y) * 0.564, (p[:, 0] - y) * 0.713
    y = _quantise(y - 128, tl) + 128
    c = F.avg_pool2d(torch.stack([cb, cr], 1), 2)
    c = torch.stack([_quantise(c[:, 0], tc), _quantise(c[:, 1], tc)], 1)
    c = F.interpolate(c, scale_factor=2, mode="bilinear", align_corners=False)
    r, b = y + c[:, 1] / 0.713, y + c[:, 0] / 0.564
    g = (y - 0.299 * r - 0.114 * b) / 0.587
    out = torch.stack([r, g, b], 1)[:, :, oy : oy + h, ox : ox + w]
    return torch.where(on[:, None, None, None], out, v)


def grain(img, t):
    """Noise of sd 1: of each pixel by itself, or partly shared with its neighbours, as what a phone makes of it is."""
    n = torch.randn_like(img)
    w = t["smooth"][:, None, None, None]
    n = (1 - w) * n + w * 3 * F.avg_pool2d(n, 3, 1, 1)
    return n / ((1 - w + w / 3) ** 2 + 8 * (w / 3) ** 2).sqrt()


def degrade(img, t):
    """Linear picture (B,3,H,W) with the seat's face near 1 -> linear light as a reader of the JPEG sees it."""
    x = img * (t["expose"])[:, None, None, None]
    jit = torch.exp(0.1 * torch.randn_like(t["blur_px"]))
    s, m = t["blur_px"] * jit, t["motion"] / 3.46
    x = blur(x, torch.hypot(s, m * t["motion_dir"].cos()), torch.hypot(s, m * t["motion_dir"].sin()))
    n = t["noise"][:, None, None, None]
    x = x + grain(x, t) * n * (0.25 + x.clamp_min(0).sqrt())
    v = srgb(x.clamp(0, 1))
    k = t["sharpen"][:, None, None, None]
    v = (v + k * (v - F.avg_pool2d(v, 3, 1, 1, count_include_pad=False))).clamp(0, 1)
    a = t["tone"][:, None, None, None]
    v = (v.clamp_min(1e-6) ** (1 + 0.06 * a) + 0.25 * a * v * (1 - v) * (v - 0.5)).clamp(0, 1)
    ox, oy = int(torch.randint(0, 16, ())), int(torch.randint(0, 16, ()))
    v = jpeg(v * 255, t["quality"], ox, oy)
    return linear(v.round().clamp(0, 255) / 255)


# ---- reading ------------------------------------------------------------
def inv2(m):
    a, b, c, d = m[..., 0, 0], m[..., 0, 1], m[..., 1, 0], m[..., 1, 1]
    return torch.stack([d, -b, -c, a], -1).reshape(m.shape) / (a * d - b * c)[..., None, None]


def det2(m):
    return m[..., 0, 0] * m[..., 1, 1] - m[..., 0, 1] * m[..., 1, 0]


def solve3(N, v):
    """Symmetric 3 x 3 systems by cofactors."""
    a, b, c, d, e, f = N[:, 0, 0], N[:, 0, 1], N[:, 0, 2], N[:, 1, 1], N[:, 1, 2], N[:, 2, 2]
    A_, B_, C_ = d * f - e * e, c * e - b * f, b * e - c * d
    D_, E_, F_ = a * f - c * c, b * c - a * e, a * d - b * b
    det = (a * A_ + b * B_ + c * C_).clamp_min(1e-20)
    x = (A_ * v[:, 0] + B_ * v[:, 1] + C_ * v[:, 2]) / det
    y = (B_ * v[:, 0] + D_ * v[:, 1] + E_ * v[:, 2]) / det
    z = (C_ * v[:, 0] + E_ * v[:, 1] + F_ * v[:, 2]) / det
    return torch.stack([x, y, z], 1)


def sample(img, px):
    """Bilinear: img (B,3,H,W), px (B,n,m,2) relative to the canvas middle."""
    g = px / ((img.shape[-1] - 1) / 2)
    return F.grid_sample(img, g, mode="bilinear", padding_mode="border", align_corners=True)


def to_canvas(q, t):
    """Plane mm in the true frame -> canvas px; q (B,...,2)."""
    shape = q.shape
    q = q.reshape(len(q), -1, 2)
    px = torch.einsum("bij,bnj->bni", t["to_px"], q) - t["off"][:, None]
    return px.reshape(shape)


def perturb(t, wide, H):
    """A camera and a starting point a little off: D (B,2,2), start (B,2) mm in the estimated frame, ref (B,).

    The size is off for each hole by itself and for the H holes of a seat together.
    """
    b, dev = len(t["radius"]), t["radius"].device
    rad = t["radius"]
    D = torch.eye(2, device=dev) + 0.006 * torch.randn(b, 2, 2, device=dev) * (torch.rand(b, 1, 1, device=dev) < 0.8)
    D = D * (1 + 0.006 * torch.randn(b, 1, 1, device=dev))
    u, f = torch.rand(b, device=dev), 6.2831853 * torch.rand(b, device=dev)
    if wide:
        r = rad * 0.6 * u.sqrt()
        ref = rad * torch.exp(0.10 * torch.randn(b, device=dev)).clamp(0.75, 1.3)
    else:
        r = rad * torch.where(torch.rand(b, device=dev) < 0.2, 0.25 * u, 0.10 * u)
        ref = rad * torch.exp(
            torch.where(torch.rand(b, device=dev) < 0.2, 0.09, 0.05) * torch.randn(b, device=dev)
        ).clamp(0.75, 1.3)
    start = torch.stack([r * f.cos(), r * f.sin()], 1)
    together = torch.exp(0.08 * torch.randn(b // H, device=dev)).repeat_interleave(H)
    return D, start, (ref * together).clamp(0.7 * rad, 1.4 * rad)


def cut_mask(px, t):
    """1 inside the picture: for a few holes the picture ends along a canvas line."""
    return ((px * t["cut_n"][:, None, None]).sum(-1) < t["cut_at"][:, None, None]).float()


def prepare(light, mask, ring):
    """Features: square root of light against the face's; its colour. light (B,3,n,m), ring bool (n,m) or None."""
    b = len(light)
    outer = torch.where((mask[:, None] * ring) > 0, light, torch.nan).reshape(b, 3, -1)
    face = outer.nanmedian(dim=2).values
    face = torch.nan_to_num(face, nan=0.3).clamp_min(2e-3)
    x = (light / face[:, :, None, None]).clamp(0, 4).sqrt() - 0.6
    return torch.cat([x * mask[:, None], mask[:, None]], 1), face


def read_polar(img, t, D, start, ref):
    dev = ref.device
    ang = torch.arange(A, device=dev) * (2 * math.pi / A)
    u = torch.stack([ang.cos(), ang.sin()], 1)  # A,2
    rr = torch.linspace(R_LO, R_HI, K, device=dev)
    q = start[:, None, None] + ref[:, None, None, None] * rr[None, None, :, None] * u[None, :, None, :]
    true = torch.einsum("bij,bakj->baki", inv2(D), q)
    px = to_canvas(true, t)
    light = sample(img, px)
    mask = cut_mask(px, t)
    ring = (rr > 1.55)[None, :].expand(A, K)[None, None]
    x, face = prepare(light, mask, ring)
    r_px = ref * t["px_per_mm"]
    lum = face @ torch.tensor([0.2126, 0.7152, 0.0722], device=dev)
    scalars = torch.stack(
        [t["slope_seen"], (r_px / 8).log(), lum.sqrt(), face.max(1).values.sqrt(), (ref / 2.5).log()], 1
    )
    return x, scalars


def read_coarse(img, t, D, start, ref):
    dev = ref.device
    g = torch.linspace(-C_HALF, C_HALF, C, device=dev)
    yy, xx = torch.meshgrid(g, g, indexing="ij")
    grid = torch.stack([xx, yy], -1)
    q = start[:, None, None] + ref[:, None, None, None] * grid[None]
    true = torch.einsum("bij,bakj->baki", inv2(D), q)
    px = to_canvas(true, t)
    light = sample(img, px)
    mask = cut_mask(px, t)
    ring = (torch.hypot(xx, yy) > 1.5)[None, None]
    x, face = prepare(light, mask, ring)
    r_px = ref * t["px_per_mm"]
    lum = face @ torch.tensor([0.2126, 0.7152, 0.0722], device=dev)
    return x, torch.stack(
        [t["slope_seen"], (r_px / 8).log(), lum.sqrt(), face.max(1).values.sqrt(), (ref / 2.5).log()], 1
    )


def ray_truth(t, D, start, ref):
    """Radius of the bore's circle along each ray, shape (B,A), in units of ref; and whether it is in sight."""
    dev = ref.device
    ang = torch.arange(A, device=dev) * (2 * math.pi / A)
    u = torch.stack([ang.cos(), ang.sin()], 1)
    inv = inv2(D)
    r = t["radius"][:, None].expand(-1, A).clone()
    for _ in range(5):
        q = start[:, None] + r[..., None] * u[None]
        x = torch.einsum("bij,baj->bai", inv, q)
        n = x.norm(dim=-1).clamp_min(1e-6)
        co2, si2 = (x[..., 0] ** 2 - x[..., 1] ** 2) / n**2, 2 * x[..., 0] * x[..., 1] / n**2
        f = n - t["radius"][:, None] / (1 - t["oval_c"][:, None] * co2 - t["oval_s"][:, None] * si2)
        v = torch.einsum("bij,aj->bai", inv, u)
        r = (r - f / ((x * v).sum(-1) / n).clamp_min(0.2)).clamp_min(1e-3)
    x = torch.einsum("bij,baj->bai", inv, start[:, None] + r[..., None] * u[None])
    m = t["cover_n"]
    along = (x * m[:, None]).sum(-1)
    far = along - (m[:, 0] * t["slope"] * t["cover_h"])[:, None]
    seen = (torch.maximum(along, far) < t["cover_at"][:, None]).float()
    seen = torch.where((t["cover_h"] > 0)[:, None], seen, torch.ones_like(seen))
    px = to_canvas(x, t)
    seen = seen * ((px * t["cut_n"][:, None]).sum(-1) < t["cut_at"][:, None]).float()
    return r / ref[:, None], seen


# ---- the model ----------------------------------------------------------
class Coarse(nn.Module):
    """Cartesian patch -> shift (in ref), log size ratio, hole, blocked."""

    def __init__(self):
        super().__init__()
        self.c1 = nn.Conv2d(4, 20, 3, 2, 1)
        self.c2 = nn.Conv2d(20, 32, 3, 2, 1)
        self.c3 = nn.Conv2d(32, 48, 3, 2, 1)
        self.f1 = nn.Linear(48 * 16 + 5, 96)
        self.f2 = nn.Linear(96, 5)

    def forward(self, x, s):
        for c in (self.c1, self.c2, self.c3):
            x = F.relu(c(x))
        return self.f2(F.relu(self.f1(torch.cat([x.flatten(1), s], 1))))


W = 96
E = 96
DIL = (1, 2, 4, 8, 1)


class Fine(nn.Module):
    """Polar patches of a seat -> per ray (offset, log scale, seen), per hole, per seat.

    Two rounds: what the first sees of all holes of the seat goes back into each before the rays answer.
    """

    def __init__(self):
        super().__init__()
        self.c1 = nn.Conv2d(4, 24, (3, 5), (1, 2), (0, 2))
        self.c2 = nn.Conv2d(24, 32, 3, (1, 2), (0, 1))
        self.c3 = nn.Conv2d(32, 48, 3, (1, 2), (0, 1))
        self.flat = nn.Linear(48 * 6 + 7, W)
        self.ring = nn.ModuleList([nn.Conv1d(W, W, 3, dilation=d) for d in DIL])
        self.emb1 = nn.Linear(2 * W + 5, E)
        self.share1 = nn.Linear(E, E)
        self.ctx = nn.Linear(2 * E, W)
        self.ray = nn.Linear(W, 3)
        self.emb2 = nn.Linear(2 * W + 5 + E, E)
        self.hole = nn.Linear(E, 2)  # hole, blocked
        self.share2 = nn.Linear(E, E)
        self.h1 = nn.Linear(2 * E, E)
        self.h2 = nn.Linear(E, 7)  # radius, log u own, log u centre, log chamfer, log u chamfer, shift x, y
        self.s1 = nn.Linear(E, 48)
        self.s2 = nn.Linear(48, 2)  # common correction, log u shared

    @staticmethod
    def wrap(x, d=1):
        return torch.cat([x[:, :, -d:], x, x[:, :, :d]], 2)

    def forward(self, x, s, weight):
        """X (S*H,4,A,K), s (S*H,5), weight (S,H)."""
        S, H = weight.shape
        for c in (self.c1, self.c2, self.c3):
            x = F.relu(c(self.wrap(x)))
        b = len(x)
        x = x.permute(0, 2, 1, 3).reshape(b, A, -1)
        ang = torch.arange(A, device=x.device) * (2 * math.pi / A)
        sc = torch.cat([s[:, None].expand(b, A, 5), s[:, :1, None] * torch.stack([ang.cos(), ang.sin()], 1)[None]], 2)
        x = F.relu(self.flat(torch.cat([x, sc], 2))).transpose(1, 2)
        w = (weight / weight.sum(1, keepdim=True).clamp_min(1e-6))[..., None]
        for k, (c, d) in enumerate(zip(self.ring, DIL, strict=True)):
            x = x + F.relu(c(self.wrap(x, d)))
            if k == 1:
                e1 = F.relu(self.emb1(torch.cat([x.mean(2), x.amax(2), s], 1)))
                seat1 = (F.relu(self.share1(e1)).reshape(S, H, E) * w).sum(1)
                seat1 = seat1.repeat_interleave(H, 0)
                x = x + F.relu(self.ctx(torch.cat([e1, seat1], 1)))[:, :, None]
        rays = self.ray(x.transpose(1, 2))
        e2 = F.relu(self.emb2(torch.cat([x.mean(2), x.amax(2), s, seat1], 1)))
        seat2 = (F.relu(self.share2(e2)).reshape(S, H, E) * w).sum(1)
        per = self.h2(F.relu(self.h1(torch.cat([e2, seat2.repeat_interleave(H, 0)], 1))))
        self.summary = torch.cat([x.mean(2), x.amax(2), s, seat1], 1)
        return rays, per, self.s2(F.relu(self.s1(seat2))), self.hole(e2)


class Judge(nn.Module):
    """What is there: hole or not, packed or open. Reads the fine net's summaries; the holes of a seat are compared."""

    def __init__(self):
        super().__init__()
        self.j1 = nn.Linear(2 * W + 5 + E + 6, 96)
        self.j2 = nn.Linear(192, 64)
        self.j3 = nn.Linear(64, 2)

    def forward(self, x, weight):
        S, H = weight.shape
        h = F.relu(self.j1(x))
        w = (weight / weight.sum(1, keepdim=True).clamp_min(1e-6))[..., None]
        p = (h.reshape(S, H, -1) * w).sum(1).repeat_interleave(H, 0)
        return self.j3(F.relu(self.j2(torch.cat([h, p], 1))))


def fit_circle(r, w, rounds=3):
    """Circle through points r_k u_k about the patch centre; r, w (B,A) -> centre (B,2), radius (B,)."""
    dev = r.device
    ang = torch.arange(A, device=dev) * (2 * math.pi / A)
    u = torch.stack([ang.cos(), ang.sin()], 1)
    p = r[..., None] * u[None]
    w = w / w.sum(1, keepdim=True).clamp_min(1e-12)
    c = torch.zeros(len(r), 2, device=dev)
    rad = (w * r).sum(1)
    for _ in range(rounds):
        d = p - c[:, None]
        n = d.norm(dim=-1).clamp_min(1e-3)
        j = torch.cat([d / n[..., None], torch.ones_like(n)[..., None]], 2)
        res = n - rad[:, None]
        N = torch.einsum("ba,bai,baj->bij", w, j, j)
        N = (
            N
            + torch.diag(torch.tensor([1.0, 1.0, 1e-3], device=dev))[None] * 1e-3 * w.sum(1)[:, None, None]
            + 1e-6 * torch.eye(3, device=dev)
        )
        step = solve3(N, torch.einsum("ba,bai,ba->bi", w, j, res)).clamp(-0.4, 0.4)
        c = c + step[:, :2]
        rad = rad + step[:, 2]
    return c, rad
