ALTER TABLE lab_order ADD COLUMN brought TEXT;
CREATE INDEX lab_order_brought ON lab_order (brought) WHERE brought IS NOT NULL
