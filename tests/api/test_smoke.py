def test_it(shop):
    d = shop.good_lot()
    s = d["spools"][0]["code"]
    assert shop.ask_clearance(s)["clear"]
    l = shop.load(s)
    shop.load(s, status=409)
    r = shop.diameter(s, 1.9)
    assert r["lot"]["exposure"]["still_loaded"] == 1
    shop.void(r["id"])
    shop.decide(d["lot_id"], "block"); shop.decide(d["lot_id"], "lift")
    shop.post("quality", f"/lots/{d['lot_id']}/reassess")
    shop.unload(l["id"], 100)
    shop.measure("color", [{"spool_code": s, "lab": [95,-.8,1.5], "conditions": {"illuminant":"A","observer_deg":2,"geometry":"d/8","specular":"SCI"}}], 422)
