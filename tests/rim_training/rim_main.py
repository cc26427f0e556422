"""Train the rim model: ``rim_main.py OUT draw_s train_s CHECKPOINT|- SEED folds fold_s all_s [step]`` (seconds)."""

import copy
import math
import sys
import time

import numpy as np
import torch
import torch.nn.functional as F
from rim_net import SIZE, Coarse, Fine, degrade, linear, perturb, read_coarse, read_polar
from rim_train import batch_truth, chain, dev, draw, finish_truth, heads, loss_coarse, loss_fine, report, trial


def load_shared(path="shared_crops.npz"):
    z = np.load(path)
    cols = list(z["cols"])
    rows = z["rows"]
    g = {c: rows[:, i] for i, c in enumerate(cols)}
    n = len(rows)
    imgs = torch.zeros((n, 3, SIZE, SIZE))
    b = z["bytes"]
    at = 0
    m = SIZE // 2
    for i in range(n):
        r, blk = int(g["reach"][i]), int(g["block"][i])
        side = (2 * r + 1) * blk
        c = (
            torch.from_numpy(b[at : at + side * side * 3].reshape(side, side, 3)[..., ::-1].copy())
            .float()
            .permute(2, 0, 1)
            / 255
        )
        at += side * side * 3
        c = linear(c)
        if blk > 1:
            c = F.avg_pool2d(c[None], blk)[0]
        # borders repeat
        c = F.pad(c[None], (m - r,) * 4, mode="replicate")[0] if m > r else c
        imgs[i] = c

    def f(k):
        return torch.from_numpy(g[k].copy())

    t = {
        "radius": f("radius"),
        "chamfer": f("chamfer"),
        "kind": f("kind").long(),
        "slope": f("slope"),
        "r_px": f("r_px"),
        "bore0": f("bore0"),
        "visible": f("visible"),
        "photo": f("photo").long(),
    }
    t["to_px"] = torch.stack([f("j00"), f("j01"), f("j10"), f("j11")], 1).reshape(-1, 2, 2)
    t["off"] = torch.stack([f("off_x"), f("off_y")], 1)
    axis = f("cut_axis").long()
    t["cut_n"] = torch.tensor([[1.0, 0], [-1, 0], [0, 1], [0, -1]])[axis]
    t["cut_at"] = f("cut_at")
    for k in ("block_sure", "oval_c", "oval_s", "cover_at", "cover_h", "worn", "blur_px"):
        t[k] = torch.zeros(n)
    t["block_sure"] += 1
    t["cover_n"] = torch.zeros(n, 2)
    t["what"] = torch.zeros(n).long()
    return imgs.to(dev), {k: v.to(dev) for k, v in t.items()}, list(z["names"])


@torch.no_grad()
def trial_shared(net, coarse, simgs, st, only=None, verbose=False, reps=2):
    out = []
    for p in only if only is not None else range(int(st["photo"].max()) + 1):
        idx = (st["photo"] == p).nonzero()[:, 0]
        bs = []
        for _ in range(reps):
            t = {k: v[idx] for k, v in st.items()}
            finish_truth(t)
            _, g = chain(net, coarse, simgs[idx], t, 1, len(idx))
            bs.append({k: v.cpu().numpy() for k, v in g.items()})
        vis = st["visible"][idx].cpu().numpy()
        for g in bs:
            ok = (g["kind"] == 0) & (vis > 0.95)
            e = g["err"][ok]
            n = ok.sum()
            us = np.median(g["u_sh"][ok])
            uo = np.median(g["u_own"][ok])
            z = e / np.hypot(g["u_own"], g["u_sh"])[ok]
            out.append(
                dict(
                    p=p,
                    bias=np.median(e),
                    sd=e.std(),
                    cen=np.sqrt((g["cen_px"][ok] ** 2).mean()),
                    us=us,
                    uo=uo,
                    z=np.median(e) / np.hypot(us, uo / np.sqrt(n)),
                    h2=(abs(z) < 2).mean(),
                    ch=np.median(g["cham"][ok]),
                    ct=np.median(g["cham_t"][ok]),
                )
            )
    return out


def report_shared(out, names, label, verbose=True):
    b = np.array([o["bias"] for o in out])
    z = np.array([o["z"] for o in out])
    bad, one, two = abs(b), np.mean(abs(z) < 1), np.mean(abs(z) < 2)
    print(f"{label}: |bias| median {np.median(bad):.3f} 90 % {np.quantile(bad, 0.9):.3f} max {bad.max():.3f}")
    print(f"   sd {np.median([o['sd'] for o in out]):.3f}, centre {np.sqrt(np.mean([o['cen'] ** 2 for o in out])):.3f}")
    print(
        f"   2 u: holes {np.mean([o['h2'] for o in out]):.3f}, photographs {two:.2f}; 1 u: photographs {one:.2f}",
        flush=True,
    )
    for o in {o["p"]: o for o in out}.values() if verbose else ():
        print(f" {names[o['p']]} bias {o['bias']:+.3f} sd {o['sd']:.3f} c {o['cen']:.2f} u {o['uo']:.3f} {o['us']:.3f}")


def step_sim(net, co, data, S, H):
    imgs, truth = data[
        np.random.choice(len(data), p=np.array([len(i) for i, _ in data]) / sum(len(i) for i, _ in data))
    ]
    idx = torch.randint(0, len(imgs), (S,), device=dev)
    cols = torch.randperm(imgs.shape[1], device=dev)[:H]
    t = batch_truth(truth, idx, cols)
    img = degrade(imgs[idx][:, cols].reshape(-1, *imgs.shape[2:]).float(), t)
    D, st, ref = perturb(t, False, H)
    x, s = read_polar(img, t, D, st, ref)
    valid = (t["kind"] != 2).float() * (
        torch.rand(S * H, device=dev) < (0.3 + 0.7 * torch.rand(S, device=dev)).repeat_interleave(H)
    ) + 1e-3
    o = heads(net, x, s, S, H, valid)
    L, d = loss_fine(o, t, D, st, ref, S, H)
    D, st, ref = perturb(t, True, H)
    x, s = read_coarse(img, t, D, st, ref)
    L2 = loss_coarse(co(x, s), t, D, st, ref)
    return L, L2, d


def shared_batch(st, photos, S, H):
    rows = []
    for p in np.random.choice(photos, S):
        i = ((st["photo"] == int(p)) & (st["visible"] > 0.97)).nonzero()[:, 0]
        rows.append(
            i[torch.randint(0, len(i), (H,), device=dev)] if len(i) < H else i[torch.randperm(len(i), device=dev)[:H]]
        )
    return torch.cat(rows)


def step_shared(net, co, simgs, st, photos, S, H):
    i = shared_batch(st, photos, S, H)
    t = {k: v[i] for k, v in st.items()}
    finish_truth(t)
    img = simgs[i]
    gain = torch.exp(0.1 * torch.randn(len(i), 3, 1, 1, device=dev))
    img = img * gain
    # mirrored half of the time
    D, s0, ref = perturb(t, False, H)
    x, s = read_polar(img, t, D, s0, ref)
    valid = (t["kind"] != 2).float() * (
        torch.rand(S * H, device=dev) < (0.3 + 0.7 * torch.rand(S, device=dev)).repeat_interleave(H)
    ) + 1e-3
    o = heads(net, x, s, S, H, valid)
    L, _ = loss_fine(o, t, D, s0, ref, S, H)
    D, s0, ref = perturb(t, True, H)
    x, s = read_coarse(img, t, D, s0, ref)
    L2 = loss_coarse(co(x, s), t, D, s0, ref)
    return L, L2


def train(net, co, data, seconds, lr, S=64, H=12, shared=None, share=0.35, log=20):
    params = [*net.parameters(), *co.parameters()]
    opt = torch.optim.AdamW(params, lr, weight_decay=1e-4)
    t0 = time.time()
    it = 0
    last = -1
    ema = [p.detach().clone() for p in params]
    while (el := time.time() - t0) < seconds:
        f = el / seconds
        cur = lr * min(1, it / 300) * (0.5 * (1 + math.cos(math.pi * f)) + 0.005)
        for g in opt.param_groups:
            g["lr"] = cur
        L, L2, d = step_sim(net, co, data, S, H)
        loss = L + L2
        if shared is not None:
            a, b = step_shared(net, co, *shared, 10, 16)
            loss = loss + share * (a + b)
        opt.zero_grad(set_to_none=True)
        loss.backward()
        n = torch.nn.utils.clip_grad_norm_(params, 20.0)
        if torch.isfinite(n):
            opt.step()
        it += 1
        with torch.no_grad():
            torch._foreach_lerp_(ema, [p.detach() for p in params], 0.004)
        if int(el / log) != last:
            last = int(el / log)
            print(
                f"  {el:.0f} s it {it} lr {cur:.1e} L {float(L):.3f} coarse {float(L2):.3f} "
                + " ".join(f"{k} {float(v):.3f}" for k, v in d.items()),
                flush=True,
            )
    with torch.no_grad():
        for p, e in zip(params, ema, strict=True):
            p.copy_(e)
    return it


if __name__ == "__main__":
    out, draw_s, train_s = sys.argv[1], float(sys.argv[2]), float(sys.argv[3])
    torch.manual_seed(0)
    val = draw(991, 384 if dev == "cuda" else 6, 12, 60)
    data = draw(int(sys.argv[5]) if len(sys.argv) > 5 else 1, 60000, 12, draw_s)
    net, co = Fine().to(dev), Coarse().to(dev)
    if len(sys.argv) > 4 and sys.argv[4] != "-":
        ck = torch.load(sys.argv[4], map_location=dev)
        for mod, sd in ((net, ck["net"]), (co, ck["co"])):
            own = mod.state_dict()
            keep = {k: v for k, v in sd.items() if k in own and own[k].shape == v.shape}
            print("warm start:", len(keep), "of", len(own), "arrays")
            mod.load_state_dict(keep, strict=False)
        report(trial(net, co, val), "sim held out, at the start")
    lr = float(sys.argv[9]) if len(sys.argv) > 9 else 1.5e-3
    it = train(net, co, data, train_s, lr, S=192 if dev == "cuda" else 4)
    print("iterations", it)
    report(trial(net, co, [(i[:64], {k: v[:64] for k, v in t.items()}) for i, t in data]), "sim seats trained on")
    torch.save({"net": net.state_dict(), "co": co.state_dict()}, out + "/sim.pt")
    report(trial(net, co, val), "sim held out")
    simgs, st, names = load_shared()
    report_shared(trial_shared(net, co, simgs, st), names, "sim only")
    if sys.argv[6] == "0":
        sys.exit()
    folds, fold_s, all_s = int(sys.argv[6]), float(sys.argv[7]), float(sys.argv[8])
    n = len(names)
    got = []
    for f in range(folds):
        out_ = [p for p in range(n) if p % folds == f]
        in_ = [p for p in range(n) if p % folds != f]
        a, b = copy.deepcopy(net), copy.deepcopy(co)
        it = train(a, b, data, fold_s, 3e-4, S=64 if dev == "cuda" else 4, shared=(simgs, st, in_), share=0.6, log=1000)
        torch.save({"net": a.state_dict(), "co": b.state_dict(), "held_out": out_}, out + f"/fold{f}.pt")
        r = trial_shared(a, b, simgs, st, only=out_)
        got += r
        report_shared(
            trial_shared(a, b, simgs, st, only=in_, reps=1),
            names,
            f"fold {f} ({it} steps) on its own training photos",
            verbose=False,
        )
    report_shared(got, names, "held-out photos, simulated + other shared photos")
    a, b = copy.deepcopy(net), copy.deepcopy(co)
    train(
        a, b, data, all_s, 3e-4, S=64 if dev == "cuda" else 4, shared=(simgs, st, list(range(n))), share=0.6, log=1000
    )
    torch.save({"net": a.state_dict(), "co": b.state_dict()}, out + "/mix.pt")
    report(trial(a, b, val), "sim held out, mixed model")
