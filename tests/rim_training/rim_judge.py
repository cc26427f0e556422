"""Train the judge on top of the frozen rim model: ``rim_judge.py OUT CHECKPOINT draw_s sim_s fold_s all_s``."""

import copy
import math
import sys
import time

import numpy as np
import torch
import torch.nn.functional as F
from rim_main import load_shared, shared_batch
from rim_net import Coarse, Fine, Judge, degrade, perturb, read_coarse, read_polar
from rim_train import batch_truth, dev, draw, finish_truth, heads


@torch.no_grad()
def inputs(net, coarse, img, t, S, H):
    D, start, _ = perturb(t, True, H)
    rough = (
        ((t["bore0"] / 2).reshape(S, H)[:, :1] * (1 + 0.15 * (2 * torch.rand(S, 1, device=dev) - 1)))
        .expand(S, H)
        .reshape(-1)
    )
    ref = rough
    x, s = read_coarse(img, t, D, start, ref)
    oc = coarse(x, s)
    start = start + oc[:, :2].clamp(-0.9, 0.9) * ref[:, None]
    ref = ref * oc[:, 2].clamp(-0.3, 0.3).exp()
    valid = torch.sigmoid(oc[:, 3]).clamp_min(0.02)
    for k in range(2):
        x, s = read_polar(img, t, D, start, ref)
        o = heads(net, x, s, S, H, valid)
        if k == 0:
            start = start + o["centre"].clamp(-0.3, 0.3) * ref[:, None]
            ref = ref * o["radius"].clamp(0.8, 1.25)
    size = (o["radius"].clamp(0.3, 2) * ref / rough).log()
    more = torch.stack(
        [size, oc[:, 3].clamp(-8, 8) / 4, o["lcham"], o["lu_own"], o["lu_cen"], torch.sigmoid(o["vis"]).mean(1)], 1
    )
    return torch.cat([net.summary, more], 1), valid.reshape(S, H)


def bce(j, x, w, t, sure):
    hole = (t["kind"] != 2).float()
    y = torch.stack([hole, (t["kind"] == 1).float()], 1)
    b = F.binary_cross_entropy_with_logits(j(x, w), y, reduction="none")
    return b[:, 0].mean() + (b[:, 1] * hole * sure).mean()


def teach(j, net, co, data, seconds, lr, S, H=12, shared=None, share=0.35):
    opt = torch.optim.AdamW(j.parameters(), lr, weight_decay=1e-3)
    t0, it, run = time.time(), 0, 0.0
    sizes = np.array([len(i) for i, _ in data]) / sum(len(i) for i, _ in data)
    while (el := time.time() - t0) < seconds:
        for g in opt.param_groups:
            g["lr"] = lr * (0.5 * (1 + math.cos(math.pi * el / seconds)) + 0.01)
        with torch.no_grad():
            imgs, truth = data[np.random.choice(len(data), p=sizes)]
            idx, cols = torch.randint(0, len(imgs), (S,), device=dev), torch.arange(H, device=dev)
            t = batch_truth(truth, idx, cols)
            img = degrade(imgs[idx].reshape(-1, *imgs.shape[2:]).float(), t)
            x, w = inputs(net, co, img, t, S, H)
        L = bce(j, x, w, t, t["block_sure"])
        if shared is not None:
            simgs, st, photos = shared
            with torch.no_grad():
                i = shared_batch(st, photos, 12, 24)
                q = {k: v[i] for k, v in st.items()}
                finish_truth(q)
                xs, ws = inputs(net, co, simgs[i], q, 12, 24)
            L = L + share * bce(j, xs, ws, q, q["block_sure"])
        opt.zero_grad()
        L.backward()
        opt.step()
        it += 1
        run = 0.98 * run + 0.02 * float(L)
    print(f"  {it} steps, loss {run / (1 - 0.98**it):.4f}", flush=True)


@torch.no_grad()
def verdicts(j, net, co, simgs, st, photos, reps=2):
    out = []
    for p in photos:
        i = ((st["photo"] == p) & (st["visible"] > 0.7)).nonzero()[:, 0]
        for _ in range(reps):
            t = {k: v[i] for k, v in st.items()}
            finish_truth(t)
            x, w = inputs(net, co, simgs[i], t, 1, len(i))
            out.append(
                torch.cat([torch.sigmoid(j(x, w)), t["kind"][:, None].float(), t["photo"][:, None].float()], 1)
                .cpu()
                .numpy()
            )
    return np.concatenate(out)


def tell(v, label):
    h, b, k = v[:, 0], v[:, 1], v[:, 2]
    print(
        label,
        " ".join(
            f"[blk>{c}: missed {np.sum(b[k == 1] < c)}/{np.sum(k == 1)} false {np.sum(b[k == 0] > c)}/{np.sum(k == 0)}]"
            for c in (0.3, 0.5, 0.8, 0.95)
        ),
        " ".join(
            f"[hole>{c}: missed {np.sum(h[k < 2] < c)} marks {np.sum(h[k == 2] > c)}/{np.sum(k == 2)}]"
            for c in (0.3, 0.5, 0.8)
        ),
        flush=True,
    )


if __name__ == "__main__":
    out, ckpt = sys.argv[1], sys.argv[2]
    draw_s, sim_s, fold_s, all_s = map(float, sys.argv[3:7])
    torch.manual_seed(1)
    np.random.seed(1)
    ck = torch.load(ckpt, map_location=dev)
    net, co = Fine().to(dev), Coarse().to(dev)
    net.load_state_dict(ck["net"])
    co.load_state_dict(ck["co"])
    net.requires_grad_(False)
    co.requires_grad_(False)
    S = 96 if dev == "cuda" else 4
    data = draw(77, 60000, 12, draw_s)
    simgs, st, names = load_shared()
    n = len(names)
    j = Judge().to(dev)
    teach(j, net, co, data, sim_s, 2e-3, S)
    torch.save({"judge": j.state_dict()}, out + "/judge_sim.pt")
    tell(verdicts(j, net, co, simgs, st, range(n)), "drawn only:")
    got = []
    for f in range(3):
        a = copy.deepcopy(j)
        teach(a, net, co, data, fold_s, 1e-3, S, shared=(simgs, st, [p for p in range(n) if p % 3 != f]), share=0.5)
        got.append(verdicts(a, net, co, simgs, st, [p for p in range(n) if p % 3 == f]))
    tell(np.concatenate(got), "held-out photos, drawn and others:")
    teach(j, net, co, data, all_s, 1e-3, S, shared=(simgs, st, list(range(n))), share=0.5)
    torch.save({"judge": j.state_dict()}, out + "/judge_mix.pt")
    tell(verdicts(j, net, co, simgs, st, range(n)), "mixed, on its own photos:")
