import time
from lots.store import history
from tests.api.test_queries import asked
from tests.shop import SIMPLE_LIMITS

def test_m(shop, monkeypatch):
    supplier, grade = shop.supplier(), shop.grade(limits=SIMPLE_LIMITS)
    spool = shop.receive(supplier, grade, spools=3)["spools"][0]["code"]
    one = {"spool_code": spool, "d1_mm": 1.75, "d2_mm": 1.75}
    out = []
    for name in ("with", "without"):
        if name == "without":
            monkeypatch.setattr(history, "note", lambda *a, **k: None)
        shop.post("quality", "/diameter-readings", one)
        n = len(asked(shop, "quality", "POST", "/diameter-readings", one))
        best = min(timed(lambda: shop.post("quality", "/diameter-readings", one)) for _ in range(25))
        load = len(asked(shop, "production", "POST", "/spools/%s/events" % spool, {"event": "dried"}))
        out.append((name, n, load, best))
    monkeypatch.undo()
    for name in ("with", "without"):
        if name == "without":
            monkeypatch.setattr(history, "note", lambda *a, **k: None)
        out.append((name, "1000", min(timed(lambda: shop.post("quality", "/diameter-readings", [one]*1000)) for _ in range(2))))
    print("RESULT", out)

def timed(f):
    t = time.process_time(); f(); return round((time.process_time() - t) * 1000, 1)
