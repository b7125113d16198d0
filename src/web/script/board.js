'use strict';
// The board as it changes. Without an answer it says how old it is: an old board is no news.
const board = document.getElementById('board'), age = document.getElementById('age');
let heard = Date.now();
const live = new EventSource('/board/live');
live.onmessage = ({ data }) => {
  heard = Date.now();
  const text = JSON.parse(data).html;
  if (text && board.innerHTML !== text) board.innerHTML = text;
};
setInterval(() => {
  const old = Math.round((Date.now() - heard) / 1e3);
  age.textContent = old < 15 ? 'Live.' : `NOT LIVE: the service has said nothing for ${old} s. What stands here is that old.`;
  age.className = old < 15 ? 'hint' : 'fault';
}, 1e3);
