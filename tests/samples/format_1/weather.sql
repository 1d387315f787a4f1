PRAGMA user_version = 1;
BEGIN TRANSACTION;
CREATE TABLE redirects (    key TEXT PRIMARY KEY,    value BLOB,     expires INTEGER);
CREATE TABLE responses (    key TEXT PRIMARY KEY,    value BLOB,     expires INTEGER);
INSERT INTO "responses" VALUES('173c6873b049216d','{
  "_content": "eyJob3VybHkiOiB7InRpbWUiOiBbIjIwMjYtMDQtMDFUMDA6MDAiXSwgInRlbXBlcmF0dXJlXzJtIjogWzcuNTBdfX0=",
  "created_at": "2026-11-26T02:47:06.712160+00:00",
  "elapsed": 0.001742,
  "encoding": "utf-8",
  "headers": {
    "Content-Type": "application/json",
    "Date": "Thu, 26 Nov 2026 02:47:06 GMT",
    "Server": "BaseHTTP/0.6 Python/3.11.7"
  },
  "reason": "OK",
  "request": {
    "headers": {
      "Accept": "*/*",
      "Accept-Encoding": "gzip, deflate",
      "Cache-Control": "max-age=-1",
      "Connection": "keep-alive",
      "User-Agent": "thermosprout"
    },
    "method": "GET",
    "url": "http://127.0.0.1:8797/v1/archive?latitude=52.5&longitude=13.4"
  },
  "status_code": 200,
  "url": "http://127.0.0.1:8797/v1/archive?latitude=52.5&longitude=13.4"
}',NULL);
CREATE INDEX expires_idx ON responses(expires);
COMMIT;
