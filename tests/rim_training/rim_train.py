"""Draw seats on the accelerator; losses and trials of the rim model."""

import ctypes
import math
import os
import time
from functools import partial

import numpy as np
import rim_scenes
import torch
import torch.nn.functional as F
from rim_net import SIZE, degrade, det2, fit_circle, perturb, ray_truth, read_coarse, read_polar

dev = "cuda" if torch.cuda.is_available() else "cpu"
torch.backends.cuda.matmul.allow_tf32 = True
torch.backends.cudnn.allow_tf32 = True
torch.backends.cudnn.benchmark = True


BUCKETS = (24, 40, 63)
LIMITS = {
    "chamfer": (0, 0.2, 0.4, 0.6, 1),
    "blur": (0, 0.5, 1, 1.5, 2),
    "noise": (0, 0.01, 0.02),
    "r_px": (0, 5, 8, 13),
}
"""Where the parts begin that `report` tells apart."""


def _on_device(s, k):
    return torch.from_numpy(np.ascontiguousarray(s[k])).to(dev)


def draw(seed, n_seats, n_holes, budget_s):
    """Pictures (S,H,3,127,127) half, seat's face near 1, and truth tensors."""
    lib = ctypes.CDLL(os.path.abspath("rim_gpu.so" if dev == "cuda" else "rim_cpu.so"))
    lib.render.argtypes = [ctypes.c_void_p, ctypes.c_int, ctypes.c_int, ctypes.c_void_p, ctypes.c_uint32]
    rng = np.random.default_rng(seed)
    t0, imgs, truths = time.time(), [[] for _ in BUCKETS], [[] for _ in BUCKETS]
    chunk = 64 if dev == "cuda" else 6
    done = 0
    while done < n_seats and time.time() - t0 < budget_s:
        s, t = rim_scenes.seats(rng, chunk, n_holes)
        if dev == "cpu":
            s["spp"] = np.minimum(s["spp"], 12)
        n = s.size
        out = torch.zeros((n, SIZE, SIZE, 3), device=dev)
        buf = torch.from_numpy(s.reshape(-1).view("<f4").copy()).to(dev)
        lib.render(buf.data_ptr(), n, SIZE, out.data_ptr(), done + 1 + seed * 7919)
        if dev == "cuda":
            torch.cuda.synchronize()
        m = SIZE // 2
        lum = out @ torch.tensor([0.2126, 0.7152, 0.0722], device=dev)
        yy, xx = torch.meshgrid(torch.arange(SIZE, device=dev) - m, torch.arange(SIZE, device=dev) - m, indexing="ij")
        reach = torch.from_numpy(s["reach_px"].reshape(-1)).to(dev)
        rho = torch.hypot(xx.float(), yy.float())[None]
        on = (rho < reach[:, None, None]) & (rho > 0.75 * reach[:, None, None])
        lvl = torch.where(on, lum, torch.nan).reshape(n, -1).nanmedian(1).values.reshape(chunk, n_holes)
        seat_lvl = lvl.median(1).values.clamp_min(1e-4)
        out = out.reshape(chunk, n_holes, SIZE, SIZE, 3).permute(0, 1, 4, 2, 3) / seat_lvl[:, None, None, None, None]
        out = out.clamp(0, 60).half()
        tt = {k: torch.from_numpy(np.ascontiguousarray(v)).to(dev) for k, v in t.items()}
        f = partial(_on_device, s)
        tt["off"] = torch.stack([f("off_x"), f("off_y")], -1)
        tt["oval_c"], tt["oval_s"] = f("oval_c"), f("oval_s")
        tt["cover_n"] = torch.stack([f("cover_x"), f("cover_y")], -1)
        tt["cover_at"], tt["cover_h"] = f("cover_at"), f("cover_h")
        tt["worn"] = tt["worn"].float()
        far = reach.reshape(chunk, n_holes).max(1).values
        lo = 0
        for j, half in enumerate(BUCKETS):
            m = SIZE // 2
            idx = ((far > lo) & (far <= half)).nonzero()[:, 0]
            lo = half
            if len(idx):
                imgs[j].append(out[idx][..., m - half : m + half + 1, m - half : m + half + 1].clone())
                truths[j].append({k: v[idx] for k, v in tt.items()})
        done += chunk
    res = [
        (torch.cat(imgs[j]), {k: torch.cat([t[k] for t in truths[j]]) for k in truths[j][0]})
        for j in range(len(BUCKETS))
        if imgs[j]
    ]
    print(
        f"drew {done} seats of {n_holes} in {time.time() - t0:.0f} s, "
        + " ".join(f"{len(i)}x{i.shape[-1]}px" for i, _ in res)
        + f" {sum(i.numel() for i, _ in res) * 2 / 1e9:.1f} GB",
        flush=True,
    )
    return res


def batch_truth(truth, idx, cols):
    t = {k: v[idx][:, cols].reshape(-1, *v.shape[2:]) for k, v in truth.items()}
    finish_truth(t)
    return t


def finish_truth(t, augment=True):
    b, d = len(t["radius"]), t["radius"].device
    if augment:  # mirrored across the line of sight
        f = torch.where(torch.rand(b, device=d) < 0.5, -1.0, 1.0)
        t["to_px"] = t["to_px"] * torch.stack([torch.ones_like(f), f], 1)[:, None, :]
        t["oval_s"] = t["oval_s"] * f
        t["cover_n"] = t["cover_n"] * torch.stack([torch.ones_like(f), f], 1)
    t["px_per_mm"] = det2(t["to_px"]).abs().sqrt()
    t["slope_seen"] = (
        t["slope"] * (1 + 0.01 * torch.randn(b, device=d)) + 0.005 * torch.randn(b, device=d).abs() * augment
    )
    a = 6.2831853 * torch.rand(b, device=d)
    if "cut_n" not in t:
        t["cut_n"] = torch.stack([a.cos(), a.sin()], 1)
        axis = torch.randint(0, 4, (b,), device=d)
        t["cut_n"] = torch.tensor([[1.0, 0], [-1, 0], [0, 1], [0, -1]], device=d)[axis]
        t["cut_at"] = torch.where(torch.rand(b, device=d) < 0.04, t["r_px"] * (0.2 + 2 * torch.rand(b, device=d)), 1e4)


def heads(net, x, s, S, H, valid):
    rays, per, seat, logit = net(x, s, valid.reshape(S, H))
    off = 1.0 + 0.25 * rays[..., 0]
    lb = rays[..., 1].clamp(-5, 2) - 3.0  # log scale of a ray's error
    vis = rays[..., 2]
    weight = torch.exp(-2 * lb.clamp(-6, 0)) * 1e-3 * torch.sigmoid(vis) ** 2 + 1e-6
    c, rad = fit_circle(off, weight)
    c = c + 0.1 * per[:, 5:7]
    common = seat[:, 0].repeat_interleave(H)
    radius = rad + 0.1 * per[:, 0] + 0.1 * common
    out = {
        "off": off,
        "lb": lb,
        "vis": vis,
        "centre": c,
        "radius": radius,
        "lu_own": per[:, 1].clamp(-4, 3) - 4.0,
        "lu_cen": per[:, 2].clamp(-4, 3) - 4.0,
        "lcham": per[:, 3],
        "lu_cham": per[:, 4].clamp(-4, 3) - 0.5,
        "lu_sh": seat[:, 1].clamp(-4, 3) - 4.5,
        "logit": logit,
    }
    return out


def nll(e, lu, cap=4.0):
    z = e / lu.exp()
    a = z.abs()
    return torch.where(a < cap, 0.5 * z * z, cap * a - 0.5 * cap * cap) + lu


def loss_fine(o, t, D, start, ref, S, H):
    r_true, seen = ray_truth(t, D, start, ref)
    hole = (t["kind"] != 2) & ~((t["kind"] == 2) & True)
    small = (t["kind"] == 2) & (t["what"] == 4)
    share = seen.mean(1)
    reg = hole & (share > 0.3)
    wreg = reg.float() * torch.where(t["kind"] == 1, 0.3, 1.0)
    e = o["off"] - r_true
    ray_w = seen * wreg[:, None]
    n_ray = ray_w.sum().clamp_min(1)
    L_ray = ((e.abs() / o["lb"].exp() + o["lb"]) * ray_w).sum() / n_ray
    L_vis = (F.binary_cross_entropy_with_logits(o["vis"], seen, reduction="none") * hole.float()[:, None]).mean()
    det = det2(D).abs().sqrt()
    rad_true = t["radius"] * det / ref
    cen_true = -start / ref[:, None]
    er = o["radius"] - rad_true
    ec = o["centre"] - cen_true
    n = wreg.sum().clamp_min(1)
    L_cen = (nll(ec, o["lu_cen"][:, None]).sum(1) * wreg).sum() / n
    # own and shared
    w = wreg.reshape(S, H)
    own2 = (2 * o["lu_own"]).exp().reshape(S, H)
    prec = w / own2
    tot = prec.sum(1)
    ok = (w.sum(1) > 1.5).float()
    e2 = er.reshape(S, H)
    mean = (e2 * prec).sum(1) / tot.clamp_min(1e-6)
    sh2 = (2 * o["lu_sh"]).exp()
    var = sh2 + 1 / tot.clamp_min(1e-6)
    zm = mean / var.sqrt()
    am = zm.abs()
    L_sh = ((torch.where(am < 4, 0.5 * am * am, 4 * am - 8) + 0.5 * var.log()) * ok).sum() / ok.sum().clamp_min(1)
    L_own = (nll(e2 - mean[:, None], o["lu_own"].reshape(S, H)) * w).sum() / n
    L_abs = ((er.abs() * wreg).sum() / n + (ec.abs().sum(1) * wreg).sum() / n) * 20
    lc_true = (t["chamfer"] / ref).clamp_min(1e-3).log()
    L_ch = (nll(o["lcham"] - lc_true, o["lu_cham"]) * wreg).sum() / n
    y = torch.stack([hole.float(), (t["kind"] == 1).float()], 1)
    bl = F.binary_cross_entropy_with_logits(o["logit"], y, reduction="none")
    sure = (~small).float()
    L_cls = (bl[:, 0] * sure).mean() + (bl[:, 1] * hole.float() * t["block_sure"]).mean()
    total = L_ray + 0.5 * L_vis + 0.5 * L_cen + L_own + L_sh + L_abs + 0.2 * L_ch + 2.0 * L_cls
    return total, {
        "ray": L_ray,
        "vis": L_vis,
        "cen": L_cen,
        "own": L_own,
        "sh": L_sh,
        "abs": L_abs,
        "ch": L_ch,
        "cls": L_cls,
    }


def loss_coarse(o, t, D, start, ref):
    hole = (t["kind"] != 2).float()
    det = det2(D).abs().sqrt()
    tgt = torch.cat([-start / ref[:, None], ((t["radius"] * det / ref).log())[:, None]], 1)
    e = F.smooth_l1_loss(o[:, :3], tgt, reduction="none", beta=0.02).sum(1)
    y = torch.stack([hole, (t["kind"] == 1).float()], 1)
    bl = F.binary_cross_entropy_with_logits(o[:, 3:], y, reduction="none")
    return (e * hole).sum() / hole.sum().clamp_min(1) * 10 + bl[:, 0].mean() + (bl[:, 1] * hole).mean()


@torch.no_grad()
def trial(net, coarse, data, chunk=16, degrade_it=True):
    """Whole chain on held-out seats: per-seat bias in mm and so on."""
    rows = []
    for imgs, truth in data:
        S_all, H = imgs.shape[:2]
        cols = torch.arange(H, device=dev)
        for a in range(0, S_all, chunk):
            idx = torch.arange(a, min(a + chunk, S_all), device=dev)
            t = batch_truth(truth, idx, cols)
            img = imgs[idx].reshape(-1, *imgs.shape[2:]).float()
            if degrade_it:
                img = degrade(img, t)
            _, tr = chain(net, coarse, img, t, len(idx), H)
            rows.append({k: v.reshape(len(idx), H).cpu().numpy() for k, v in tr.items()})
    return {k: np.concatenate([r[k] for r in rows]) for k in rows[0]}


@torch.no_grad()
def chain(net, coarse, img, t, S, H, start_err=0.4):
    D, start, _ = perturb(t, True, H)
    seat_rough = (t["bore0"] / 2).reshape(S, H)[:, :1] * (1 + 0.12 * (2 * torch.rand(S, 1, device=img.device) - 1))
    ref = seat_rough.expand(S, H).reshape(-1)
    x, s = read_coarse(img, t, D, start, ref)
    oc = coarse(x, s)
    start = start + oc[:, :2].clamp(-0.9, 0.9) * ref[:, None]
    ref = ref * oc[:, 2].clamp(-0.3, 0.3).exp()
    for k in range(2):
        x, s = read_polar(img, t, D, start, ref)
        valid = torch.sigmoid(oc[:, 3]).clamp_min(0.02)
        o = heads(net, x, s, S, H, valid)
        if k == 0:
            start = start + o["centre"].clamp(-0.3, 0.3) * ref[:, None]
            ref = ref * o["radius"].clamp(0.8, 1.25)
    det = det2(D).abs().sqrt()
    _, seen = ray_truth(t, D, start, ref)
    err = 2 * (o["radius"] * ref - t["radius"] * det)
    cen = ((o["centre"] * ref[:, None] + start).norm(dim=1)) * t["px_per_mm"]
    g = {
        "err": err,
        "cen_px": cen,
        "u_own": 2 * ref * o["lu_own"].exp(),
        "u_sh": 2 * ref * o["lu_sh"].exp().repeat_interleave(H),
        "cham": o["lcham"].exp() * ref,
        "cham_t": t["chamfer"],
        "kind": t["kind"].float(),
        "what": t["what"].float(),
        "seen": seen.mean(1),
        "p_hole": torch.sigmoid(o["logit"][:, 0]),
        "p_blk": torch.sigmoid(o["logit"][:, 1]),
        "radius": t["radius"],
        "r_px": t["r_px"],
        "slope": t["slope"],
        "worn": t["worn"],
        "pc_hole": torch.sigmoid(oc[:, 3]),
        "arc": torch.sigmoid(o["vis"]).mean(1),
        "blur": t["blur_px"],
        "noise": t.get("noise", torch.zeros_like(t["radius"])),
    }
    return o, g


def report(r, name):
    ok = (r["kind"] == 0) & (r["seen"] > 0.95)
    e = np.where(ok, r["err"], np.nan)
    enough = ok.sum(1) >= 4
    e, n = e[enough], ok[enough].sum(1)
    b = np.nanmedian(e, axis=1)
    c = np.nanmedian(np.where(ok, r["cham_t"], np.nan)[enough], axis=1)
    us = np.nanmedian(np.where(ok, r["u_sh"], np.nan)[enough], axis=1)
    uo = np.nanmedian(np.where(ok, r["u_own"], np.nan)[enough], axis=1)
    z = b / np.hypot(us, uo / np.sqrt(n))
    zh = (r["err"] / np.hypot(r["u_own"], r["u_sh"]))[ok]
    bad, two, one = abs(b), np.mean(abs(z) < 2), np.mean(abs(z) < 1)
    print(f"{name}: {enough.sum()} seats, |bias| median {np.median(bad):.3f} 90 % {np.quantile(bad, 0.9):.3f}")
    print(f"   within a seat sd {np.nanmedian(np.nanstd(e, axis=1)):.3f}, u shared {np.median(us):.3f}")
    print(f"   centre rms {np.sqrt(np.nanmean(r['cen_px'][ok] ** 2)):.3f}, median {np.median(r['cen_px'][ok]):.3f} px")
    print(f"   within 2 u: holes {np.mean(abs(zh) < 2):.3f}, seats {two:.2f}; seats within 1 u {one:.2f}", flush=True)
    of_seat = {k: np.median(r[k], axis=1)[enough] for k in ("blur", "noise", "r_px")} | {"chamfer": c}
    for what, limits in LIMITS.items():
        for lo, hi in zip(limits, (*limits[1:], math.inf), strict=True):
            m = (of_seat[what] >= lo) & (of_seat[what] < hi)
            if m.sum() > 2:
                part = f"{m.sum()} seats, |bias| {np.median(bad[m]):.3f} {np.quantile(bad[m], 0.9):.3f}"
                print(f"   {what} from {lo}: {part}, within 2 u {np.mean(abs(z[m]) < 2):.2f}")
    blk, op, no = (r["kind"] == 1) & (r["seen"] > 0.7), (r["kind"] == 0) & (r["seen"] > 0.7), r["kind"] == 2
    if blk.any():
        p, h = r["p_blk"], r["p_hole"]
        print(f"   packed: found {np.mean(p[blk] > 0.5):.4f}, open ones called so {np.mean(p[op] > 0.5):.4f}")
        print(
            f"   holes {np.mean(h[op | blk] > 0.5):.4f}, not holes called holes {np.mean(h[no] > 0.5):.4f}", flush=True
        )
